package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/jcamp"
	"bluefringe/device/table"
	"bluefringe/device/table/export"
)

// read reads all files into one run.
func (im *importer) read(paths []string) (*importedRun, error) {
	r := &importedRun{material: im.material, channelName: im.channel, job: im.job}
	if r.job == "" {
		base := filepath.Base(paths[0])
		r.job = event.Clean(strings.TrimSuffix(base, filepath.Ext(base)))
	}
	values := 0
	for _, path := range paths {
		f, err := im.file(path, im.options, r)
		if err != nil {
			return nil, err
		}
		for _, s := range f.Spectra {
			if values += len(s.Values); values > export.MaxValues {
				return nil, fmt.Errorf("%s: the files hold more than %d numbers in all: import some of them at a time", event.Clean(path), export.MaxValues)
			}
			if im.site != "" {
				s.Site = im.site
			}
			if err := r.add(path, s); err != nil {
				return nil, fmt.Errorf("%s: %w", event.Clean(path), err)
			}
		}
	}
	if len(r.spectra) == 0 {
		return nil, fmt.Errorf("%s: %w", event.Clean(paths[0]), export.ErrNone)
	}
	if err := im.calibration(r); err != nil {
		return nil, err
	}
	im.tell(paths[0], r.order(im.timed, im.intervalS))
	for _, note := range r.missing() {
		im.tell(paths[0], note)
	}
	return r, nil
}

// calibration reads the files with dark and reference.
func (im *importer) calibration(r *importedRun) error {
	for _, c := range []struct {
		path string
		role export.Role
	}{{im.dark, export.Dark}, {im.reference, export.Reference}} {
		if c.path == "" {
			continue
		}
		f, err := im.file(c.path, im.options, r)
		if err != nil {
			return err
		}
		for _, s := range f.Spectra {
			s.Role = c.role
			if r.channel(s.WavelengthNM) == nil {
				return fmt.Errorf("%s: its axis (%s) is none of the spectra's (%s): dark and reference need the same wavelengths",
					event.Clean(c.path), axisOf(s.WavelengthNM), axisOf(r.channels[0].wavelengthNM))
			}
			if err := r.add(c.path, s); err != nil {
				return fmt.Errorf("%s: %w", event.Clean(c.path), err)
			}
		}
		if n := len(f.Spectra); n > 1 {
			im.tell(c.path, fmt.Sprintf("%d spectra are averaged", n))
		}
	}
	return nil
}

func axisOf(wavelengthNM []float64) string {
	n := len(wavelengthNM)
	return fmt.Sprintf("%d points from %.6g to %.6g nm", n, wavelengthNM[0], wavelengthNM[n-1])
}

// file reads one file and tells what was guessed. Errors name the file.
func (im *importer) file(path string, o table.Options, r *importedRun) (export.File, error) {
	data, err := im.bytes(path)
	if err != nil {
		return export.File{}, err
	}
	f, err := decodeExport(data, o)
	for _, note := range f.Notes {
		im.tell(path, note)
		r.note(path, note)
	}
	if err != nil {
		return f, fmt.Errorf("%s: %s", event.Clean(path), event.Clean(err.Error()))
	}
	return f, nil
}

// decodeExport reads JCAMP-DX where the text begins like it, otherwise a table.
func decodeExport(data []byte, o table.Options) (export.File, error) {
	text, notes, err := export.Text(data)
	if err != nil {
		return export.File{}, err
	}
	if jcamp.Sniff(text) {
		return jcamp.DecodeText(text, notes, o.Options)
	}
	return table.DecodeText(text, notes, o)
}

func (im *importer) bytes(path string) ([]byte, error) {
	in := im.st.in
	if path != "-" {
		file, err := os.Open(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, usage(fmt.Errorf("no file %s", event.Clean(path)))
		case err != nil:
			return nil, err
		}
		defer file.Close()
		if info, err := file.Stat(); err == nil && info.IsDir() {
			return nil, usage(fmt.Errorf("%s is a folder: files are allowed", event.Clean(path)))
		}
		in = file
	}
	data, err := io.ReadAll(io.LimitReader(in, export.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", event.Clean(path), err)
	}
	if len(data) > export.MaxBytes {
		return nil, fmt.Errorf("%s: found more than %d MB: split it", event.Clean(path), export.MaxBytes>>20)
	}
	return data, nil
}
