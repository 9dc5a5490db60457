package codec

import (
	"bytes"
	"fmt"
)

// blocks reads one spectrum a block. A block is taken for one only when its
// length is that of a spectrum, a line feed stands behind it (a carriage return may
// stand between) and no other block begins inside, so that bytes lost on the way cannot shift the pixels
// unseen. Where that fails, the search goes on one byte behind the '#'.
type blocks struct {
	spectra Spectra
	pixel   pixelType
	buf     []byte // from the first byte not yet used; at most a block and a chunk

	begun   bool // a block has come
	skipped int  // bytes between blocks since the newest good one, but for blanks
	toldAt  int  // skipped when that was told last; 0: not told
}

const (
	maxHeader   = 2 + 9    // '#', the digit, up to nine digits
	retellBytes = 64 << 10 // garbage is told at its start and every so often
)

func newBlocks(config Config) (Decoder, error) {
	if err := config.check(); err != nil {
		return nil, err
	}
	pixel, err := findPixelType(config.Pixel)
	if err != nil {
		return nil, err
	}
	return &blocks{spectra: config.Spectra, pixel: pixel}, nil
}

func (d *blocks) size() int { return d.spectra.Pixels * d.pixel.size }

func (d *blocks) Feed(chunk []byte, emit Emit) error {
	d.buf = append(d.buf, chunk...)
	at, err := d.scan(emit)
	d.buf = append(d.buf[:0], d.buf[at:]...)
	return err
}

// scan uses what it can and returns how many bytes that was.
func (d *blocks) scan(emit Emit) (at int, err error) {
	for {
		next := bytes.IndexByte(d.buf[at:], '#')
		if next < 0 {
			return len(d.buf), d.skip(d.buf[at:], d.buf[at:], emit)
		}
		if err := d.skip(d.buf[at:at+next], d.buf[at:], emit); err != nil {
			return len(d.buf), err
		}
		at += next
		data, length, more := d.block(d.buf[at:])
		switch {
		case more:
			return at, nil
		case data == nil:
			if err := d.skip(d.buf[at:at+1], d.buf[at:], emit); err != nil {
				return len(d.buf), err
			}
			at++
			continue
		}
		d.begun, d.skipped, d.toldAt = true, 0, 0
		line, err := d.spectra.line(d.spectra.ClockS(), d.pixel.values(data))
		if err := emit(line, err); err != nil {
			return len(d.buf), err
		}
		at += length
	}
}

// header reads the start of a block: how long it is and how many bytes of data it
// announces. It is 0 long where there is none.
func header(b []byte) (length, size int, more bool) {
	if len(b) < 2 {
		return 0, 0, true
	}
	digits := int(b[1]) - '0'
	if digits < 1 || digits > 9 {
		return 0, 0, false
	}
	for _, c := range b[2:min(2+digits, len(b))] {
		if c < '0' || c > '9' {
			return 0, 0, false
		}
		size = 10*size + int(c-'0')
	}
	return 2 + digits, size, len(b) < 2+digits
}

// block looks at bytes that begin with '#': its data and whole length, or nil for
// what is no block; more tells that too little has come to know.
func (d *blocks) block(b []byte) (data []byte, length int, more bool) {
	start, size, more := header(b)
	if more || start == 0 || size != d.size() {
		return nil, 0, more
	}
	end := start + size
	for i := end; i < len(b) && i < end+2; i++ {
		if b[i] == '\n' {
			if data := b[start:end]; !d.swallowed(data, b[:start]) {
				return data, i + 1, false
			}
			return nil, 0, false
		}
		if b[i] != '\r' {
			return nil, 0, false
		}
	}
	return nil, 0, len(b) < end+2
}

// swallowed tells that the data hold the start of the next block: where bytes of a
// block were lost its length reaches into the next one, and a pixel of that may look
// like the line feed.
func (*blocks) swallowed(data, header []byte) bool {
	for {
		i := bytes.IndexByte(data, '\n')
		if i < 0 {
			return false
		}
		if data = data[i+1:]; bytes.HasPrefix(data, header) {
			return true
		}
	}
}

// skip counts bytes that are no block and tells of them at their start and now
// and then; rest begins with them. Before the first block, what may be the rest of
// one goes untold.
func (d *blocks) skip(garbage, rest []byte, emit Emit) error {
	for _, c := range garbage {
		if c != '\n' && c != '\r' && c != ' ' {
			d.skipped++
		}
	}
	allowed := 0
	if !d.begun {
		allowed = d.size() + maxHeader
	}
	if d.skipped <= allowed || d.toldAt > 0 && d.skipped-d.toldAt < retellBytes {
		return nil
	}
	d.toldAt = d.skipped
	return emit(nil, fmt.Errorf("%w: %s", ErrBlock, d.describe(bytes.TrimLeft(rest, " \r\n"))))
}

// describe says why bytes are no block.
func (d *blocks) describe(b []byte) string {
	start, size, _ := header(b)
	switch {
	case len(b) == 0 || b[0] != '#':
		return "found " + quote(b)
	case start == 0:
		return fmt.Sprintf("found %s: '#', a digit from 1 to 9 and as many digits begin a block of definite length", quote(b))
	case size != d.size():
		return fmt.Sprintf("found a block of %d bytes: channel %s has %d pixels, %d bytes as %s", size, quote([]byte(d.spectra.Channel)), d.spectra.Pixels, d.size(), d.pixel.name)
	}
	return fmt.Sprintf("found no line feed behind %d bytes, or another block within them: bytes were lost or damaged", size)
}

// End drops a block without its end.
func (d *blocks) End(emit Emit) error {
	size, begun := len(d.buf), d.begun
	d.buf, d.begun, d.skipped, d.toldAt = nil, false, 0, 0
	if size == 0 || !begun {
		return nil
	}
	return emit(nil, &TornError{Bytes: size})
}
