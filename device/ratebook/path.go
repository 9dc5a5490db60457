package ratebook

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
)

// DefaultPath is where the rate book of this user lies: bluefringe/book.sqlite under
// XDG_DATA_HOME or ~/.local/share (XDG Base Directory Specification 0.8), under
// ~/Library/Application Support on macOS and under %LocalAppData% on Windows. The
// file need not exist.
func DefaultPath() (string, error) {
	return defaultPath(runtime.GOOS, os.Getenv, os.UserHomeDir)
}

func defaultPath(system string, env func(string) string, userHome func() (string, error)) (string, error) {
	const folder, name = "bluefringe", "book.sqlite"
	switch system {
	case "windows":
		// Not the roaming %AppData%: the file is locked while it is open.
		if data := env("LocalAppData"); data != "" {
			return filepath.Join(data, folder, name), nil
		}
		return "", errors.New("no place for the rate book: %LocalAppData% is not set")
	case "darwin", "ios":
		home, err := userHome()
		if err != nil {
			return "", err
		}
		return filepath.Join(home, "Library", "Application Support", folder, name), nil
	}
	// The specification has relative paths ignored.
	if data := env("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return filepath.Join(data, folder, name), nil
	}
	home, err := userHome()
	if err != nil {
		return "", err
	}
	return filepath.Join(home, ".local", "share", folder, name), nil
}
