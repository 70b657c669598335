package attack

var onHistory, onJournal, onCommands, onFiles, onRecords []attack
