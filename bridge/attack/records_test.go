package attack

var onRecords = []attack{
	{does: "points of a job are altered, taken away, added, exchanged or reordered",
		holds: "the audit names each", by: "bridge/audit.TestTamperedRecords"},
	{does: "the same in InfluxDB",
		holds: "the audit names each", by: "bridge/audit.TestTamperedHistory"},
	{does: "the text of a name is changed in the journal",
		holds: "it is called forged with the key at hand, and not proven without", by: "bridge/audit.TestForgedNameInTheJournal"},
	{does: "somebody with the bridge's key makes another closing record",
		holds: "the second place or the cart's journal holds the other one", by: "bridge/audit.TestRecordDiffersFromItsCopy"},
	{does: "the end of the newest job is taken away, so that it looks open",
		holds: "a later job, the second place, the journal or its witness knows better", by: "bridge/audit.TestOpenJob"},
	{does: "names of fluids and jobs are markup or formulas, in the fleet report",
		holds: "they are text on the page and in the table", by: "bridge/audit.TestFleet"},
	{does: "the audit reads a damaged journal",
		holds: "jobs beside the damage are computed again", by: "bridge/audit.TestAuditBesideDamagedPages"},
}
