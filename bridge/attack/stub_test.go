package attack

var onJournal, onCommands, onFiles, onRecords []attack
