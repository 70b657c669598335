package attack

var onCommands = []attack{
	{does: "a signed command is sent again, also after a restart",
		holds: "it is answered again and not done again; an older counter is refused", by: "bridge/cart.TestSignedCommands"},
	{does: "the signature is of another key, topic, counter or command",
		holds: "nothing is done", by: "bridge/cart.TestWrongSignatures"},
	{does: "ids are #, a/b, NUL, 70 kB, empty or repeated; a field is unknown; a payload has 1 MB",
		holds: "each is refused with the field's name, and the connection stays", by: "bridge.TestCommandsOfEveryKind"},
	{does: "commands are nested, cut off, or no JSON",
		holds: "they are refused", by: "bridge/wire.FuzzCommand"},
	{does: "a command is retained, and comes again after a restart",
		holds: "it is refused", by: "bridge.TestRetainedCommand"},
	{does: "a flood of commands",
		holds: "memory is bounded, and measuring goes on", by: "bridge/cart.TestFloodIsBounded"},
	{does: "the same over the network",
		holds: "readings and leaves still come in time", by: "bridge.TestFloodOverTheWire"},
	{does: "the program is killed in the moment in which it closes a job",
		holds: "the job is closed once, with one closing record, and passes its audit", by: "bridge.TestKilledWhileClosing"},
	{does: "a presence of another session comes late, as a will",
		holds: "the cart corrects it", by: "bridge.TestPresenceAfterALateWill"},
}
