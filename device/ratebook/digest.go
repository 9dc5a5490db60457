package ratebook

import (
	"crypto/sha256"
	"encoding/hex"
	"hash"

	"bluefringe/device/event"
)

// Digest makes the checksum of a record from its events, line by line, the same
// whether they come live or from the record: it takes run, process, spectrum and end
// and leaves out what the recorder adds (set-up, dark, reference) and all that comes
// after the end. SHA-256 (FIPS 180-4) of the objects as received, each ended by '\n'.
type Digest struct {
	hash  hash.Hash
	ended bool
}

// NewDigest returns a digest of no event.
func NewDigest() *Digest { return &Digest{hash: sha256.New()} }

// Add takes the next event.
func (d *Digest) Add(e event.Event) {
	if d.ended {
		return
	}
	switch e.Body.(type) {
	case event.Run, event.Process, event.Spectrum, event.End:
		d.hash.Write(e.Raw) // a hash returns no error
		d.hash.Write([]byte{'\n'})
	}
	_, d.ended = e.Body.(event.End)
}

// Sum is the checksum of what came so far, in hexadecimal.
func (d *Digest) Sum() string { return hex.EncodeToString(d.hash.Sum(nil)) }
