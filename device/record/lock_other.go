//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd || windows)

package record

import "os"

// openAlone opens a record. This system has no lock that ends with the program.
func openAlone(path string, flags int) (*os.File, error) { return os.OpenFile(path, flags, 0o644) }
