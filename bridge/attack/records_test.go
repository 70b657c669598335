package attack

var onRecords = []attack{
	{does: "points of a job are altered, taken away, added, exchanged or reordered",
		holds: "the audit names each", by: "bridge/audit.TestTamperedRecords"},
	{does: "the same in InfluxDB",
		holds: "the audit names each", by: "bridge/audit.TestTamperedHistory"},
	{does: "names of fluids and jobs are markup or formulas, in the fleet report",
		holds: "they are text on the page and in the table", by: "bridge/audit.TestFleet"},
	{does: "the audit reads a damaged journal",
		holds: "jobs beside the damage are computed again", by: "bridge/audit.TestAuditBesideDamagedPages"},
}
