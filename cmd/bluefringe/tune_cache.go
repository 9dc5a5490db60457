package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/gob"
	"encoding/hex"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"

	"bluefringe/device/cache"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
	"bluefringe/removal/tune"
)

const (
	mostCacheBytes = 1 << 30
	// mostKeptBytes bounds what a kept recording unpacks to.
	mostKeptBytes = 4 << 30
	keptVersion   = "readings 1"
)

// openReadingCache is the cache of readings in a folder; empty is that of the user.
func openReadingCache(dir string) (*cache.Cache, error) {
	if dir == "" {
		var err error
		if dir, err = cache.DefaultDir("readings"); err != nil {
			return nil, err
		}
	}
	return cache.New(dir, mostCacheBytes), nil
}

// programID tells one build of the program from another: by the source that it was built
// from where that is known, else by the program's own bytes.
func programID() (string, error) {
	if info, ok := debug.ReadBuildInfo(); ok {
		values := map[string]string{}
		for _, s := range info.Settings {
			values[s.Key] = s.Value
		}
		if values["vcs.revision"] != "" && values["vcs.modified"] == "false" {
			return values["vcs.revision"] + " " + info.GoVersion + " " + values["GOARCH"], nil
		}
	}
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	hash := sha256.New()
	_, err = io.Copy(hash, f)
	return hex.EncodeToString(hash.Sum(nil)), err
}

// opticsSum says what of a set-up given by hand a reading depends on: optics, instruments,
// channels and calibration, with the files that they name; and the process, whose track
// says where the next reading is looked for first.
func opticsSum(v view) ([]byte, error) {
	s, prelude, err := v.load()
	if err != nil || s == nil {
		return nil, err
	}
	hash := sha256.New()
	s.Optics.Library = nil
	if err := json.NewEncoder(hash).Encode([]any{s.Optics, s.Instrument, s.Channels, s.Process}); err != nil {
		return nil, err
	}
	for _, table := range s.Optics.Table {
		path := table.File
		if !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(v.setupFile), path)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(data)
		hash.Write(sum[:])
	}
	for _, e := range prelude {
		hash.Write(e.Raw)
	}
	return hash.Sum(nil), nil
}

// keyOf joins what readings were made from to a key of the cache.
func keyOf(parts ...string) string {
	hash := sha256.New()
	json.NewEncoder(hash).Encode(append([]string{keptVersion}, parts...)) // cannot fail: hashes take all, strings encode
	return hex.EncodeToString(hash.Sum(nil))
}

// keptRun is a recording as it lies in the cache.
type keptRun struct {
	Target  setup.Target
	Die     setup.Die
	Process setup.Process
	Stop    setup.Stop
	Rule    []setup.Rule
	Name    string
	Sites   map[string][2]float64
	Events  []keptEvent
	Truth   map[string][]tune.Point
	FinalUM float64
	Counts  []int
}

// keptEvent holds a change of the process as an event line: gob does not tell a pointer
// to 0 from none.
type keptEvent struct {
	TimeS   float64
	Reading *guide.Reading
	Process []byte
}

// packRun turns a recording into bytes.
func packRun(r *recording) ([]byte, error) {
	s, c := r.Chosen, r.Counts
	k := keptRun{Target: s.Target, Die: s.Die, Process: s.Process, Stop: s.Stop, Rule: s.Rule, Name: s.Name, Sites: r.Sites, Truth: r.Truth, FinalUM: r.FinalUM,
		Counts: []int{c.spectra, c.badLines, c.badCRC, c.refused, c.unknown, c.skipped}}
	for _, e := range r.Events {
		ke := keptEvent{TimeS: e.TimeS, Reading: e.Reading}
		if e.Process != nil {
			line, err := event.Append(nil, event.Process(*e.Process))
			if err != nil {
				return nil, err
			}
			ke.Process = line
		}
		k.Events = append(k.Events, ke)
	}
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	if err != nil {
		return nil, err
	}
	if err := gob.NewEncoder(z).Encode(k); err != nil {
		return nil, err
	}
	err = z.Close()
	return b.Bytes(), err
}

// unpackRun is the inverse of packRun. given is the set-up that was given by hand, nil for none:
// what of it does not touch the readings may have changed since.
func unpackRun(data []byte, given *setup.Setup) (*recording, error) {
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	var k keptRun
	if err := gob.NewDecoder(io.LimitReader(z, mostKeptBytes)).Decode(&k); err != nil {
		return nil, err
	}
	r := &recording{Sites: k.Sites, Truth: k.Truth, FinalUM: k.FinalUM}
	r.Chosen = setup.Default()
	r.Chosen.Target, r.Chosen.Die, r.Chosen.Process, r.Chosen.Stop, r.Chosen.Rule, r.Chosen.Name = k.Target, k.Die, k.Process, k.Stop, k.Rule, k.Name
	if given != nil {
		r.Chosen = *given
		r.Chosen.Process = k.Process // with the prior of the record
	}
	for i, to := range []*int{&r.Counts.spectra, &r.Counts.badLines, &r.Counts.badCRC, &r.Counts.refused, &r.Counts.unknown, &r.Counts.skipped} {
		if i < len(k.Counts) {
			*to = k.Counts[i]
		}
	}
	for _, ke := range k.Events {
		e := tune.Event{TimeS: ke.TimeS, Reading: ke.Reading}
		if ke.Process != nil {
			decoded, err := event.Decode(ke.Process)
			if err != nil {
				return nil, err
			}
			if change, ok := decoded.Body.(event.Process); ok {
				e.Process = (*guide.ProcessChange)(&change)
			}
		}
		r.Events = append(r.Events, e)
	}
	return r, nil
}
