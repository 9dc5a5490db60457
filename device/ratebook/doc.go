// Package ratebook keeps what finished runs taught about removal rates, in one
// SQLite file, and pools it into a prior for the next run.
//
// A run is one row: its process, the Preston coefficient that was learnt, and the
// checksum of its record, so that a record replayed twice is one run. Prior takes
// the runs that match the next one and treats them as a random-effects sample of
// ln Kp: see pool.go for the sources.
//
// The same file keeps the attempts of trainees (Attempt).
//
// The file is meant for a local disk. It is in WAL mode: several programs may read
// and write it at once, each waiting up to five seconds for another's turn. A number
// that is not known is NaN; 0 counts as not known as well.
package ratebook
