// Package audittest helps tests that audit jobs from a journal and from a history
// ([Provable]). It is apart from bridgetest because it imports package audit.
package audittest
