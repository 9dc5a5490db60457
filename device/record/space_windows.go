package record

import (
	"syscall"
	"unsafe"
)

// freeBytes is the room on the disk of a folder for this user.
func freeBytes(folder string) (bytes uint64, ok bool) {
	name, err := syscall.UTF16PtrFromString(folder)
	if err != nil {
		return 0, false
	}
	ask := syscall.NewLazyDLL("kernel32.dll").NewProc("GetDiskFreeSpaceExW")
	if ask.Find() != nil {
		return 0, false
	}
	done, _, _ := ask.Call(uintptr(unsafe.Pointer(name)), uintptr(unsafe.Pointer(&bytes)), 0, 0)
	return bytes, done != 0
}
