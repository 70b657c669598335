// Package journaltest helps tests that need a configuration or a journal: it opens, fills,
// locks and reads journals, and writes whole jobs into them ([KeepJobs]). Everything ends
// with the test. It is apart from bridgetest because it imports packages config and
// journal.
package journaltest
