// Package folder makes a data folder belong to one process.
//
// In: the path of a folder. Out: a Lock that is held until Close or the end of
// the process, however that comes.
//
// Invariants: the folder has mode 0700 and the lock file 0600; nothing in a data
// folder is opened before its lock is held, because two processes on the same
// store files or the same event log lose data without a complaint; a refusal
// names the process that holds the lock and what to do.
package folder
