package attack

var onBoard, onHistory, onJournal, onCommands, onFiles, onRecords []attack
