//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package record

import (
	"errors"
	"os"
	"syscall"
)

// openAlone opens a record for this program alone among those that write records: an
// flock, which the system releases when the program ends. Where a disk has no such
// locks the record is used without.
func openAlone(path string, flags int) (*os.File, error) {
	f, err := os.OpenFile(path, flags, 0o644)
	if err != nil {
		return nil, err
	}
	for {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EINTR) {
			break
		}
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, errors.Join(ErrInUse, f.Close())
	}
	return f, nil
}
