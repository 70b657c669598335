package attack

var onCommands, onFiles, onRecords []attack
