package ratebook

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// writerFile and writerFirst make this test program a writer: see writeRuns.
const writerFile, writerFirst = "RATEBOOK_TEST_FILE", "RATEBOOK_TEST_FIRST"

const runsEach = 30

func TestMain(m *testing.M) {
	if path := os.Getenv(writerFile); path != "" {
		first, err := strconv.Atoi(os.Getenv(writerFirst))
		if err == nil {
			err = writeRuns(context.Background(), path, first)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// writeRuns opens the book for every run anew, so that openings meet writes.
func writeRuns(ctx context.Context, path string, first int) error {
	for n := range runsEach {
		b, err := Open(ctx, path)
		if err != nil {
			return err
		}
		r := past(1)
		r.Checksum = fmt.Sprintf("%064d", first+n)
		_, replaced, err := b.Add(ctx, r)
		if err == nil && replaced {
			err = fmt.Errorf("run %d was there already", first+n)
		}
		if err := errors.Join(err, b.Close()); err != nil {
			return err
		}
	}
	return nil
}

// holdsAll checks that no run of some writers was lost.
func holdsAll(t *testing.T, path string, writers int) {
	t.Helper()
	b := open(t, path)
	if got := list(t, b, Filter{}); len(got) != writers*runsEach {
		t.Errorf("%d runs, want %d", len(got), writers*runsEach)
	}
	var answer string
	if err := b.db.QueryRow("PRAGMA integrity_check").Scan(&answer); err != nil || answer != "ok" {
		t.Errorf("integrity: %s, %v", answer, err)
	}
}

func TestProcessesWriteAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.sqlite")
	const writers = 3
	var running []*exec.Cmd
	for w := range writers {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), writerFile+"="+path, writerFirst+"="+strconv.Itoa(1000*w))
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		running = append(running, cmd)
	}
	for _, cmd := range running {
		if err := cmd.Wait(); err != nil {
			t.Error(err)
		}
	}
	holdsAll(t, path, writers)
}

func TestHandlesWriteAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.sqlite")
	const writers = 3
	var group sync.WaitGroup
	for w := range writers {
		group.Go(func() {
			if err := writeRuns(t.Context(), path, 1000*w); err != nil {
				t.Error(err)
			}
		})
	}
	group.Wait()
	holdsAll(t, path, writers)
}

// TestWaitEndsWithContext: while another holds the file, the context bounds the wait.
func TestWaitEndsWithContext(t *testing.T) {
	b := newBook(t)
	other := open(t, b.Path())
	tx, err := other.db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, _, err := b.Add(ctx, past(1)); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
	// Readers do not wait for a writer.
	if got := list(t, b, Filter{}); len(got) != 0 {
		t.Errorf("%d runs", len(got))
	}
}

func TestModes(t *testing.T) {
	b := newBook(t)
	add(t, b, past(1))
	for pragma, want := range map[string]string{"journal_mode": "wal", "busy_timeout": "5000", "user_version": strconv.Itoa(len(migrations())), "application_id": strconv.Itoa(applicationID)} {
		var got string
		if err := b.db.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s: %s, want %s (%v)", pragma, got, want, err)
		}
	}
	if runtime.GOOS == "windows" {
		return // the owner is told by the folder's access list there
	}
	files, err := filepath.Glob(b.Path() + "*")
	if err != nil || len(files) < 2 {
		t.Fatalf("files %v, %v: want the book and its WAL", files, err)
	}
	for _, name := range files {
		info, err := os.Stat(name)
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", filepath.Base(name), info.Mode(), err)
		}
	}
}

// TestMigrates walks a book through later forms, and a step that fails.
func TestMigrates(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.sqlite")
	id := add(t, open(t, path), past(1))
	later := append(migrations(), "CREATE TABLE invented (x TEXT); INSERT INTO invented VALUES ('a')", "ALTER TABLE invented ADD COLUMN y REAL")
	with := func(steps []string) (*Book, error) {
		b := &Book{path: path}
		err := b.open(t.Context(), steps)
		t.Cleanup(func() { b.db.Close() })
		return b, err
	}
	version := func(b *Book) (v int) {
		if err := b.db.QueryRow("PRAGMA user_version").Scan(&v); err != nil {
			t.Fatal(err)
		}
		return v
	}

	now := len(migrations())
	broken := append(migrations(), later[now], "CREATE TABLE half (x); INSERT INTO missing VALUES (1)")
	b, err := with(broken)
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("form %d", now+2)) {
		t.Errorf("a broken step gives %v", err)
	}
	if v := version(b); v != now+1 {
		t.Errorf("version %d after the last step failed, want %d", v, now+1)
	}
	if _, err := b.db.Exec("SELECT * FROM half"); err == nil {
		t.Error("half of a step was kept")
	}

	if b, err = with(later); err != nil || version(b) != now+2 {
		t.Fatalf("version %d, %v", version(b), err)
	}
	var n int
	if err := b.db.QueryRow("SELECT count(*) FROM invented WHERE y IS NULL").Scan(&n); err != nil || n != 1 {
		t.Errorf("%d rows, %v: a step was done twice or lost", n, err)
	}
	if runs := list(t, b, Filter{}); len(runs) != 1 || runs[0].ID != id {
		t.Errorf("%+v", runs)
	}

	_, err = Open(t.Context(), path)
	if !errors.Is(err, ErrNewer) || !strings.Contains(err.Error(), fmt.Sprintf("form %d", now+2)) || !strings.Contains(err.Error(), path) {
		t.Errorf("a newer book: %v", err)
	}
}

// TestForeignFilesStayUntouched: nothing but a rate book is opened, and the folder is
// left byte for byte as it was.
func TestForeignFilesStayUntouched(t *testing.T) {
	foreign := func(t *testing.T, path, mode string, closed bool) {
		db, err := connect(path, url.Values{"_pragma": {"journal_mode(" + mode + ")"}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.Exec("CREATE TABLE run (x); INSERT INTO run VALUES (1)"); err != nil {
			t.Fatal(err)
		}
		if closed {
			db.Close()
			return
		}
		t.Cleanup(func() { db.Close() })
	}
	for name, make := range map[string]func(t *testing.T, path string){
		"text":            func(t *testing.T, path string) { write(t, path, "a set-up file, say\n") },
		"long text":       func(t *testing.T, path string) { write(t, path, strings.Repeat("0123456789abcdef", 1000)) },
		"other database":  func(t *testing.T, path string) { foreign(t, path, "DELETE", true) },
		"other with WAL":  func(t *testing.T, path string) { foreign(t, path, "WAL", true) },
		"other, in use":   func(t *testing.T, path string) { foreign(t, path, "WAL", false) },
		"mark and no end": func(t *testing.T, path string) { write(t, path, "SQLite format 3\x00") },
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			path := filepath.Join(folder, "file")
			make(t, path)
			before := content(t, folder)
			b, err := Open(t.Context(), path)
			if !errors.Is(err, ErrNotBook) {
				t.Errorf("%v", err)
			}
			if err == nil {
				b.Close()
			}
			after := content(t, folder)
			if len(before) != len(after) {
				t.Errorf("files %d before, %d after", len(before), len(after))
			}
			for file, was := range before {
				if !bytes.Equal(was, after[file]) {
					t.Errorf("%s was changed", file)
				}
			}
		})
	}
	if _, err := Open(t.Context(), t.TempDir()); !errors.Is(err, ErrNotBook) {
		t.Errorf("a folder: %v", err)
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// content reads the files of a folder but for the shared memory of those in use.
func content(t *testing.T, folder string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	err := fs.WalkDir(os.DirFS(folder), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(name, "-shm") {
			return err
		}
		out[name], err = os.ReadFile(filepath.Join(folder, name))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestEmptyFile: a file without a byte is a book without a run.
func TestEmptyFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.sqlite")
	write(t, path, "")
	add(t, open(t, path), past(1))
}

// TestDamaged: a book cut short says so, and what can be done.
func TestDamaged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.sqlite")
	b, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	for n := range 100 {
		r := past(1)
		r.Checksum, r.Note = fmt.Sprintf("%064d", n), strings.Repeat("words ", 30)
		add(t, b, r)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, info.Size()/2); err != nil {
		t.Fatal(err)
	}
	b, err = Open(t.Context(), path)
	if err == nil {
		_, err = b.List(t.Context(), Filter{})
		b.Close()
	}
	if err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("%v", err)
	}
}

// TestHostileRow: what another program wrote is not trusted.
func TestHostileRow(t *testing.T) {
	b := newBook(t)
	id := add(t, b, past(1))
	if _, err := b.db.Exec("UPDATE run SET job = ?", "\x1b[2Jgone"); err != nil {
		t.Fatal(err)
	}
	if got := list(t, b, Filter{})[0].Job; strings.Contains(got, "\x1b") {
		t.Errorf("job %q", got)
	}
	if _, err := b.db.Exec("UPDATE run SET preston_per_pa = -1"); err == nil {
		t.Error("a negative coefficient was stored")
	}
	if _, err := b.db.Exec("UPDATE run SET preston_per_pa = 1e300"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Prior(t.Context(), next()); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("run %d: preston_per_pa", id)) {
		t.Errorf("%v", err)
	}
}

func TestNoPlace(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	write(t, file, "no folder")
	path := filepath.Join(file, "book.sqlite")
	if _, err := Open(t.Context(), path); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("%v", err)
	}
}
