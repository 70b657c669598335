// Package door guards what listens: the embedded broker, the board and the monitor.
//
//	listen.go  opens the socket; errors say who holds the address
//	seats.go   connections that wait make room for others, those that stay have a share by
//	           address
//	guess.go   wrong passwords make the next attempt wait
//
// The package starts no goroutines. All of it may be used from several at once.
package door
