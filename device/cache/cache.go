// Package cache keeps results that can be made again in a folder, each in a file under a
// key that says what it was made from.
//
// A file that is damaged, or of another version of the format, is as good as missing. The
// folder stays below a bound: what was longest not used goes first. Several programs may
// use one folder at once.
package cache

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// magic begins every file; its number is the version of the format.
const magic = "bluefringe cache 1\n"

// suffix of the files, so that nothing else in the folder is ever touched.
const suffix = ".cache"

// Cache is a folder of results.
type Cache struct {
	dir  string
	most int64 // bytes of all files
}

// DefaultDir is the folder of that name in the user's cache folder: XDG_CACHE_HOME or
// ~/.cache, ~/Library/Caches on macOS, %LocalAppData% on Windows.
func DefaultDir(name string) (string, error) {
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, "bluefringe", name), nil
}

// New makes a cache in a folder, which need not exist, of that many bytes at most.
func New(dir string, most int64) *Cache { return &Cache{dir, most} }

func (c *Cache) path(key string) (string, error) {
	if !regexp.MustCompile(`^[0-9a-zA-Z_-]{1,100}$`).MatchString(key) {
		return "", fmt.Errorf("cache: key %q: 1 to 100 letters, digits, _ and - are allowed", key)
	}
	return filepath.Join(c.dir, key+suffix), nil
}

// Get returns what was put under a key. ok is false when there is nothing that is whole;
// a damaged file is removed.
func (c *Cache) Get(key string) (data []byte, ok bool) {
	path, err := c.path(key)
	if err != nil {
		return nil, false
	}
	if info, err := os.Stat(path); err != nil || !info.Mode().IsRegular() || info.Size() > c.most {
		return nil, false
	}
	file, err := os.ReadFile(path)
	if err != nil {
		return nil, false
	}
	if data, ok = unseal(file); !ok {
		os.Remove(path)
		return nil, false
	}
	now := time.Now()
	os.Chtimes(path, now, now) // best effort: only decides what goes first
	return data, true
}

// Put keeps data under a key, whole or not at all, and makes room for it. Data that is
// longer than the cache is not kept.
func (c *Cache) Put(key string, data []byte) error {
	path, err := c.path(key)
	if err != nil {
		return err
	}
	file := seal(data)
	if int64(len(file)) > c.most {
		return fmt.Errorf("cache: %d bytes: at most %d are allowed", len(data), c.most)
	}
	if err := os.MkdirAll(c.dir, 0o700); err != nil {
		return err
	}
	if err := c.trim(c.most - int64(len(file))); err != nil {
		return err
	}
	f, err := os.CreateTemp(c.dir, "new-*"+suffix)
	if err != nil {
		return err
	}
	_, err = f.Write(file)
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// trim removes files, the longest unused first, until the others have no more bytes than
// that.
func (c *Cache) trim(most int64) error {
	entries, err := os.ReadDir(c.dir)
	if err != nil {
		return err
	}
	var files []fs.FileInfo
	total := int64(0)
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), suffix) {
			continue
		}
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() {
			files = append(files, info)
			total += info.Size()
		}
	}
	slices.SortFunc(files, func(a, b fs.FileInfo) int {
		return cmp.Or(a.ModTime().Compare(b.ModTime()), cmp.Compare(a.Name(), b.Name()))
	})
	for _, f := range files {
		if total <= most {
			return nil
		}
		// Another program may have been faster.
		if err := os.Remove(filepath.Join(c.dir, f.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		total -= f.Size()
	}
	return nil
}

// seal puts magic and SHA-256 (FIPS 180-4) in front of data.
func seal(data []byte) []byte {
	sum := sha256.Sum256(data)
	return slices.Concat([]byte(magic), sum[:], data)
}

func unseal(file []byte) ([]byte, bool) {
	rest, ok := bytes.CutPrefix(file, []byte(magic))
	if !ok || len(rest) < sha256.Size {
		return nil, false
	}
	sum, data := rest[:sha256.Size], rest[sha256.Size:]
	is := sha256.Sum256(data)
	return data, bytes.Equal(sum, is[:])
}
