package ratebook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// ErrNotBook marks a file that is no rate book. It was left as it was.
var ErrNotBook = errors.New("no rate book: the file was left as it was")

// ErrNewer marks a rate book of a newer version of this program.
var ErrNewer = errors.New("written by a newer version of this program")

// wait is how long a program waits for another's turn at the file.
const wait = 5 * time.Second

// Book is an open rate book. Its methods may be called from several goroutines;
// each waits for the file, up to five seconds or until its context is done.
type Book struct {
	path string
	db   *sql.DB
}

// Open opens the rate book at path and brings it to the newest form. A file that is
// not there is made, readable by its owner alone, with the folders that lead to it.
func Open(ctx context.Context, path string) (*Book, error) {
	b := &Book{path: path}
	if err := b.open(ctx, migrations()); err != nil {
		if b.db != nil {
			b.db.Close()
		}
		return nil, b.explain(ctx, err)
	}
	return b, nil
}

// Path is the name of the file.
func (b *Book) Path() string { return b.path }

// Close gives the file back.
func (b *Book) Close() error { return b.explain(context.Background(), b.db.Close()) }

func (b *Book) open(ctx context.Context, steps []string) error {
	info, err := os.Stat(b.path)
	isNew := errors.Is(err, fs.ErrNotExist)
	switch {
	case isNew:
		if err := os.MkdirAll(filepath.Dir(b.path), 0o700); err != nil {
			return err
		}
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return fmt.Errorf("%w (found a %s)", ErrNotBook, kindOf(info.Mode()))
	case info.Size() > 0:
		if err := refuseForeign(ctx, b.path); err != nil {
			return err
		}
	}
	if b.db, err = connect(b.path, url.Values{
		"_defensive": {"1"}, "_dqs": {"0"}, "_error_rc": {"1"},
		// Writers take their turn at the start of a transaction, where waiting works.
		"_txlock": {"immediate"},
		"_pragma": {fmt.Sprintf("busy_timeout(%d)", wait.Milliseconds()), "trusted_schema(0)"},
	}); err != nil {
		return err
	}
	if err := b.db.PingContext(ctx); err != nil {
		return err
	}
	if isNew {
		// Still empty. Not made by os.OpenFile: where closing a file of one's own drops
		// the locks of the process on it (POSIX), SQLite must be the only one to open it.
		if err := os.Chmod(b.path, 0o600); err != nil {
			return err
		}
	}
	if err := b.migrate(ctx, steps); err != nil {
		return err
	}
	return b.useWAL(ctx)
}

func kindOf(mode fs.FileMode) string {
	if mode.IsDir() {
		return "folder"
	}
	return "device or pipe"
}

// connect prepares one connection: the book is small and turns are short.
func connect(path string, options url.Values) (*sql.DB, error) {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	name := filepath.ToSlash(absolute)
	if !strings.HasPrefix(name, "/") {
		name = "/" + name // C:/…, see https://www.sqlite.org/uri.html
	}
	connector, err := sqlite.NewConnector((&url.URL{Scheme: "file", Path: name, RawQuery: options.Encode()}).String())
	if err != nil {
		return nil, err
	}
	db := sql.OpenDB(connector)
	db.SetMaxOpenConns(1)
	return db, nil
}

// refuseForeign looks at the header of a file that is not empty without locking or
// changing anything, its neighbours (journal, WAL) included. The mark of a rate book
// is in the header from its first transaction on.
func refuseForeign(ctx context.Context, path string) error {
	db, err := connect(path, url.Values{
		"mode": {"ro"}, "immutable": {"1"},
		// Another program may be moving pages from the WAL: without this the file
		// counts as damaged until all have come.
		"_pragma": {"writable_schema(1)"},
	})
	if err != nil {
		return err
	}
	defer db.Close()
	var id int64
	err = db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id)
	if err == nil && id != applicationID {
		return fmt.Errorf("%w (found a database of something else)", ErrNotBook)
	}
	return err
}

// migrate does the steps that the file lacks, each in a transaction of its own. Two
// programs may do so at once: the version is read inside the transaction.
func (b *Book) migrate(ctx context.Context, steps []string) error {
	for {
		done, err := b.step(ctx, steps)
		if done || err != nil {
			return err
		}
	}
}

func (b *Book) step(ctx context.Context, steps []string) (done bool, err error) {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return false, err
	}
	defer tx.Rollback() // nothing after Commit
	var version int
	if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return false, err
	}
	switch {
	case version == len(steps):
		return true, nil
	case version > len(steps):
		return false, fmt.Errorf("%w (form %d, this one knows up to %d): update the program", ErrNewer, version, len(steps))
	}
	for _, statement := range []string{
		steps[version],
		fmt.Sprintf("PRAGMA application_id = %d", applicationID),
		fmt.Sprintf("PRAGMA user_version = %d", version+1),
	} {
		if _, err := tx.ExecContext(ctx, statement); err != nil {
			return false, fmt.Errorf("form %d: %w", version+1, err)
		}
	}
	return false, tx.Commit()
}

// useWAL lets readers and a writer work at the same time. It comes after migrate, so
// that the mark of a rate book is in the file itself and not only in its WAL. SQLite
// does not wait for others by itself here.
func (b *Book) useWAL(ctx context.Context) error {
	const pause = 20 * time.Millisecond
	deadline := time.Now().Add(wait)
	for {
		// Where WAL cannot be had, as on some network disks, the answer is another mode,
		// which is as safe and only slower.
		_, err := b.db.ExecContext(ctx, "PRAGMA journal_mode = WAL")
		if code(err) != sqlite3.SQLITE_BUSY || time.Now().After(deadline) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(pause):
		}
	}
}

// code is the primary result code of SQLite, 0 for other errors.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// explain names the file and says what can be done about an error.
func (b *Book) explain(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	help := ""
	switch code := code(err); {
	case ctx.Err() != nil && (code == sqlite3.SQLITE_INTERRUPT || code == sqlite3.SQLITE_BUSY):
		err = ctx.Err()
	case code == sqlite3.SQLITE_NOTADB:
		err = ErrNotBook
	case code == sqlite3.SQLITE_BUSY || code == sqlite3.SQLITE_LOCKED:
		help = ": another program holds it: try again"
	case code == sqlite3.SQLITE_READONLY || code == sqlite3.SQLITE_CANTOPEN || code == sqlite3.SQLITE_PERM || errors.Is(err, fs.ErrPermission):
		help = ": the file and its folder must be there and writable"
	case code == sqlite3.SQLITE_CORRUPT:
		help = ": the file is damaged: move it away and replay the records"
	}
	return fmt.Errorf("rate book %s: %w%s", b.path, err, help)
}
