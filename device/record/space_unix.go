//go:build darwin || linux

package record

import "syscall"

// freeBytes is the room on the disk of a folder for this user.
func freeBytes(folder string) (bytes uint64, ok bool) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(folder, &s); err != nil || s.Bsize <= 0 {
		return 0, false
	}
	return s.Bavail * uint64(s.Bsize), true
}
