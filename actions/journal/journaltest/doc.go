// Package journaltest holds what every journal must keep to ([Run]) and a journal in memory whose disk can fail in the
// ways that disks do ([Disk]), for simulations that have no time for a real one.
package journaltest
