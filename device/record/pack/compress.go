package pack

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"

	"github.com/klauspost/compress/zstd"
)

// Suffix is what the name of a compressed record ends in.
const Suffix = ".zst"

// Compress writes a finished record to a new file beside it, path with Suffix, reads
// that back, and only where it is the same removes the record. An existing file of that
// name is never overwritten: the error is then fs.ErrExist. Whatever fails, and where
// ctx ends first, the record stays as it was.
func Compress(ctx context.Context, path string) (to string, err error) {
	to = path + Suffix
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("compress record: %s exists already and is not overwritten (%w)", to, fs.ErrExist)
	}
	// A name of its own until it is whole; one that is there is left from a crash.
	part := to + ".part"
	defer func() {
		if err != nil {
			os.Remove(part)
			err = fmt.Errorf("compress record %s, which stays as it was: %w", path, err)
		}
	}()
	sum, err := compressTo(ctx, part, path)
	if err != nil {
		return "", err
	}
	if err := verify(ctx, part, sum); err != nil {
		return "", err
	}
	if err := os.Rename(part, to); err != nil {
		return "", err
	}
	return to, os.Remove(path)
}

// compressTo writes the compressed file onto the disk and returns the SHA-256 of its text.
func compressTo(ctx context.Context, to, from string) (sum [sha256.Size]byte, err error) {
	in, err := os.Open(from)
	if err != nil {
		return sum, err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return sum, err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	z, err := zstd.NewWriter(out, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(maxWindow/2))
	if err != nil {
		return sum, err
	}
	text := sha256.New()
	if _, err := io.Copy(io.MultiWriter(z, text), &cancellable{ctx, in}); err != nil {
		return sum, errors.Join(err, z.Close())
	}
	if err := errors.Join(z.Close(), out.Sync()); err != nil {
		return sum, err
	}
	return sumOf(text), nil
}

// verify reads a compressed file whole.
func verify(ctx context.Context, path string, want [sha256.Size]byte) (err error) {
	r, err := Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	text := sha256.New()
	if _, err := io.Copy(text, &cancellable{ctx, r}); err != nil {
		return err
	}
	if sumOf(text) != want {
		return errors.New("what was written reads back differently")
	}
	return nil
}

func sumOf(h hash.Hash) [sha256.Size]byte { return [sha256.Size]byte(h.Sum(nil)) }

// cancellable is a reader that ends with a context.
type cancellable struct {
	ctx context.Context
	io.Reader
}

func (c *cancellable) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.Reader.Read(p)
}
