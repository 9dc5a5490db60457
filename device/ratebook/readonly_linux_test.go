package ratebook

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
)

// TestReadOnlyFolder runs as nobody where it is started as root, who may write
// anywhere. The user for files is one of each thread (setfsuid(2)).
func TestReadOnlyFolder(t *testing.T) {
	folder := t.TempDir()
	book := filepath.Join(folder, "there.sqlite")
	add(t, open(t, book), past(1))
	for _, path := range []string{folder, filepath.Dir(folder)} {
		if err := os.Chmod(path, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(folder, 0o555); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chmod(folder, 0o755) })
	const nobody = 65534
	failed := make(chan [2]error)
	go func() {
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		if os.Geteuid() == 0 {
			syscall.RawSyscall(syscall.SYS_SETFSUID, nobody, 0, 0)
		}
		_, errNew := Open(t.Context(), filepath.Join(folder, "new.sqlite"))
		_, errOld := Open(t.Context(), book)
		failed <- [2]error{errNew, errOld}
	}()
	for i, err := range <-failed {
		if err == nil || !strings.Contains(err.Error(), "must be there and writable") {
			t.Errorf("%d: %v", i, err)
		}
	}
}
