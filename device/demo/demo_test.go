package demo

import (
	"bytes"
	"runtime"
	"testing"

	"bluefringe/device/event"
	"bluefringe/device/simulate"
)

// The record must be what the simulator makes, so that nothing in it is by hand.
func TestRecordIsTheSimulators(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits of the simulator's floating point differ on other processors")
	}
	var want bytes.Buffer
	err := simulate.Run(t.Context(), simulate.Demo(), func(body event.Body) error {
		line, err := event.Append(nil, body)
		want.Write(append(line, '\n'))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	got, err := Record()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want.Bytes()) {
		t.Errorf("the embedded record (%d bytes) is not what the simulator makes (%d bytes): make it again as the package says", len(got), want.Len())
	}
}
