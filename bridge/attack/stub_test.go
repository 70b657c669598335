package attack

var onCommands, onRecords []attack
