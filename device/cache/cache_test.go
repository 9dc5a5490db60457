package cache

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestRoundTrip(t *testing.T) {
	c := New(filepath.Join(t.TempDir(), "not", "there", "yet"), 1000)
	if _, ok := c.Get("a"); ok {
		t.Error("something under a key that was never used")
	}
	for _, data := range [][]byte{[]byte("one"), {}, []byte("two")} {
		if err := c.Put("a", data); err != nil {
			t.Fatal(err)
		}
		if got, ok := c.Get("a"); !ok || !bytes.Equal(got, data) {
			t.Errorf("got %q, %v, want %q", got, ok, data)
		}
	}
}

// Every cut and every changed byte is found, and the file goes.
func TestDamage(t *testing.T) {
	c := New(t.TempDir(), 1000)
	path := filepath.Join(c.dir, "a"+suffix)
	whole := seal([]byte("what can be made again"))
	try := func(file []byte) {
		t.Helper()
		if err := os.WriteFile(path, file, 0o600); err != nil {
			t.Fatal(err)
		}
		if got, ok := c.Get("a"); ok {
			t.Errorf("%q was read as %q", file, got)
		}
		if _, err := os.Stat(path); err == nil {
			t.Errorf("%q is still there", file)
		}
	}
	for i := range whole {
		try(whole[:i])
		changed := bytes.Clone(whole)
		changed[i] ^= 1
		try(changed)
	}
}

// The longest unused goes first, what is used stays, and nothing else in the folder is
// touched.
func TestBound(t *testing.T) {
	dir := t.TempDir()
	data := make([]byte, 200)
	c := New(dir, int64(3*len(seal(data))))
	other := filepath.Join(dir, "other.txt")
	if err := os.WriteFile(other, make([]byte, 5000), 0o600); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Hour)
	for i, key := range []string{"a", "b", "c"} {
		if err := c.Put(key, data); err != nil {
			t.Fatal(err)
		}
		at := old.Add(time.Duration(i) * time.Minute)
		if err := os.Chtimes(filepath.Join(dir, key+suffix), at, at); err != nil {
			t.Fatal(err)
		}
	}
	if _, ok := c.Get("a"); !ok {
		t.Fatal("a is gone")
	}
	if err := c.Put("d", data); err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]bool{"a": true, "b": false, "c": true, "d": true} {
		if _, ok := c.Get(key); ok != want {
			t.Errorf("%s: there is %v, want %v", key, ok, want)
		}
	}
	if _, err := os.Stat(other); err != nil {
		t.Error(err)
	}
	if err := c.Put("e", make([]byte, 5000)); err == nil {
		t.Error("more than the cache holds was put")
	}
}

func TestKeys(t *testing.T) {
	c := New(t.TempDir(), 1000)
	for _, key := range []string{"", "../a", "a/b", `a\b`, "a.b", "a\x00", strings.Repeat("a", 101)} {
		if err := c.Put(key, nil); err == nil {
			t.Errorf("key %q was accepted", key)
		}
		if _, ok := c.Get(key); ok {
			t.Errorf("key %q was found", key)
		}
	}
}
