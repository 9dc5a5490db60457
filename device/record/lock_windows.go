package record

import (
	"errors"
	"os"
	"syscall"
)

// openAlone opens a record so that others may read but not write it, until the program
// ends.
func openAlone(path string, flags int) (*os.File, error) {
	name, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
	const sharingViolation = syscall.Errno(32) // ERROR_SHARING_VIOLATION
	access, mode := uint32(syscall.GENERIC_WRITE), uint32(syscall.CREATE_NEW)
	if flags&os.O_CREATE == 0 {
		// Without FILE_WRITE_DATA every write goes to the end.
		access, mode = syscall.GENERIC_READ|syscall.FILE_APPEND_DATA, syscall.OPEN_EXISTING
	}
	handle, err := syscall.CreateFile(name, access, syscall.FILE_SHARE_READ, nil, mode, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	switch {
	case errors.Is(err, sharingViolation):
		return nil, ErrInUse
	case err != nil:
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
	return os.NewFile(uintptr(handle), path), nil
}
