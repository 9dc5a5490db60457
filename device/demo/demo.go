// Package demo holds the recorded run that the program carries with it: an
// invented die, made by the simulator (package simulate, Demo). To make it again
// after a change of the simulator:
//
//	go run ./cmd/bluefringe simulate --demo | gzip -9n > device/demo/demo.jsonl.gz
package demo

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"io"
)

//go:embed demo.jsonl.gz
var packed []byte

// Record returns the run as event lines.
func Record() ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}
