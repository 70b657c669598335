// Package attack holds the attacks that were tried on the program, each as a row of a
// table: what it does and what holds. A row tries its attack, or names the test that does.
//
// The rows of a target are in the file that is named after it. BAYFILL_LONG_TESTS=1 makes
// the attacks as large as they were when they succeeded.
//
// What each attacker wants is in bridge/THREATS.md.
package attack
