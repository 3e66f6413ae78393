// Package journal is the durable record and the only place that keeps standing: what is held and owed, the switching
// log, the windows that were, readings, and small things such as the publishing secret.
//
// It promises: when [Journal.Write] returns nil, the entries survive a power cut; all entries of one call are kept or
// none; after a crash, what is found is what some call to Write had left, never half of one. Standing changes by
// [actions.Standing.Apply] alone, in memory and on disk alike, so that a restart believes what the runner believed.
// An error from Write means that standing did not change; whether the entries are there after a crash that follows
// at once is unknown, as with any disk that fails while it syncs, and the runner must live with either.
//
// It is one SQLite file, spillway.db, in the state folder: write-ahead log, synchronous=FULL (each commit waits for the
// disk; https://www.sqlite.org/pragma.html#pragma_synchronous), one writing process per folder by a lock beside it,
// any number of readers. The commit point is SQLite's: the sync of the log after the commit record. A crash before it
// loses the call, a crash after it keeps the call though the caller never heard. Calls that wait at the same time share
// one commit, and so one sync.
//
// It leaves to others: what the entries mean, and every clock but the one it is given.
package journal
