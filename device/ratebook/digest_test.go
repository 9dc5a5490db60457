package ratebook

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"bluefringe/device/event"
)

func digest(t *testing.T, lines ...string) string {
	t.Helper()
	d := NewDigest()
	for _, line := range lines {
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		d.Add(e)
	}
	return d.Sum()
}

const (
	runLine      = `{"type":"run","format":1,"job":"invented"}`
	setupLine    = `{"type":"setup","toml":"[target]"}`
	darkLine     = `{"type":"dark","time_s":0,"channel":"vis","counts":[1,2]}`
	processLine  = `{"type":"process","time_s":1,"contact":true}`
	spectrumLine = `{"type":"spectrum","time_s":2,"channel":"vis","counts":[3,4]}`
	endLine      = `{"type":"end","time_s":3}`
)

func TestDigest(t *testing.T) {
	live := digest(t, runLine, processLine, spectrumLine, endLine)
	sum := sha256.Sum256([]byte(runLine + "\n" + processLine + "\n" + spectrumLine + "\n" + endLine + "\n"))
	if want := hex.EncodeToString(sum[:]); live != want {
		t.Errorf("%s, want the SHA-256 of the lines, %s", live, want)
	}
	if recorded := digest(t, runLine, setupLine, darkLine, processLine, spectrumLine, endLine, spectrumLine); recorded != live {
		t.Error("the record of a run has another checksum than the run")
	}
	for name, lines := range map[string][]string{
		"a spectrum less": {runLine, processLine, endLine},
		"another order":   {runLine, spectrumLine, processLine, endLine},
		"not ended":       {runLine, processLine, spectrumLine},
	} {
		if digest(t, lines...) == live {
			t.Errorf("%s: the same checksum", name)
		}
	}
	r := past(1)
	r.Checksum = live
	if _, err := r.checked(); err != nil {
		t.Errorf("the book does not take it: %v", err)
	}
}
