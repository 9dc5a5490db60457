// Package pack reads run records that were compressed, and compresses finished ones:
// zstd (RFC 8878) and, for reading only, gzip (RFC 1952). What a file is shows in its
// first bytes, not in its name; no record begins with those of either.
package pack

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/klauspost/compress/zstd"
)

// Bounds on what a compressed file may ask for.
const (
	MaxBytes = 256 << 30 // text in it: a day of 200 spectra a second
	// maxWindow is what RFC 8878, section 3.1.1.1.2, recommends every decoder to take.
	maxWindow = 8 << 20
)

// ErrTooLarge marks a compressed file with more than MaxBytes of text.
var ErrTooLarge = errors.New("the compressed file holds too much")

// format is how a file is compressed.
type format int

const (
	plain format = iota
	gzipped
	zstandard
)

// formatOf tells the format by the first bytes of a file.
func formatOf(head []byte) format {
	switch {
	case bytes.HasPrefix(head, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		return zstandard
	case bytes.HasPrefix(head, []byte{0x1f, 0x8b}):
		return gzipped
	}
	return plain
}

// Compressed tells whether a file that begins with these bytes, four or more, is one
// that Open decompresses.
func Compressed(head []byte) bool { return formatOf(head) != plain }

// Open opens a record for reading, decompressed where it is compressed. Memory for that
// is bounded, whatever the file says.
func Open(path string) (io.ReadCloser, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	text, err := decompress(f, MaxBytes)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("read %s: %w", path, err), f.Close())
	}
	return &opened{text, f}, nil
}

// opened closes the decompressor and the file.
type opened struct {
	io.ReadCloser
	file *os.File
}

func (o *opened) Close() error { return errors.Join(o.ReadCloser.Close(), o.file.Close()) }

func decompress(r io.Reader, most int64) (io.ReadCloser, error) {
	in := bufio.NewReaderSize(r, 64<<10)
	head, err := in.Peek(4)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	switch formatOf(head) {
	case zstandard:
		d, err := zstd.NewReader(in, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(maxWindow), zstd.WithDecoderLowmem(true))
		if err != nil {
			return nil, err
		}
		return &bounded{d.IOReadCloser(), most}, nil
	case gzipped:
		d, err := gzip.NewReader(in)
		if err != nil {
			return nil, err
		}
		return &bounded{d, most}, nil
	}
	return io.NopCloser(in), nil
}

// bounded fails after so many bytes.
type bounded struct {
	io.ReadCloser
	left int64
}

func (b *bounded) Read(p []byte) (int, error) {
	if int64(len(p)) > b.left+1 {
		p = p[:b.left+1]
	}
	n, err := b.ReadCloser.Read(p)
	if int64(n) > b.left {
		return int(b.left), ErrTooLarge
	}
	b.left -= int64(n)
	return n, err
}
