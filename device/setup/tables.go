package setup

import (
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"bluefringe/optics/material"
)

// maxTables bounds the tables of one set-up.
const maxTables = 32

// opener returns the content of a file that a set-up names.
type opener func(file string) ([]byte, error)

// inFolder opens files named from the folder of the set-up file.
func inFolder(folder string) opener {
	return func(file string) ([]byte, error) {
		if !filepath.IsAbs(file) {
			file = filepath.Join(folder, file)
		}
		return readFile(file, material.MaxTableBytes)
	}
}

// readFile reads at most one byte more than most.
func readFile(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most+1))
}

// loadTables fills the library from the decoded optics.table; what has another
// shape is left to the schema. A nil open means that files may not be opened.
func (c *checker) loadTables(tree map[string]any, open opener) {
	opticsTable, _ := tree["optics"].(map[string]any)
	list, _ := opticsTable["table"].([]any)
	if len(list) > maxTables {
		c.add("optics.table", "found %d tables: up to %d are allowed", len(list), maxTables)
		return
	}
	for i, item := range list {
		values, _ := item.(map[string]any)
		name, _ := values["name"].(string)
		file, _ := values["file"].(string)
		if strings.TrimSpace(name) == "" || strings.TrimSpace(file) == "" {
			continue
		}
		if !c.loadTable(i, name, file, open) {
			c.unread = append(c.unread, name)
		}
	}
}

func (c *checker) loadTable(i int, name, file string, open opener) bool {
	at := key("optics.table", i, "file")
	if open == nil {
		c.add(at, "found %s: a set-up that does not come from a file, as inside a record, opens no other; give the set-up file itself", show(file))
		return false
	}
	data, err := open(file)
	if err != nil {
		c.add(at, "%v", err)
		return false
	}
	m, err := material.ParseTable(file, data)
	if err != nil {
		c.add(at, "%v", err)
		return false
	}
	if c.library == nil {
		c.library = &material.Library{}
	}
	if err := c.library.Add(name, m); err != nil {
		c.add(key("optics.table", i, "name"), "%v", err)
		return false
	}
	return true
}

// knows tells whether a material may be named. One whose table could not be read
// is not a second fault.
func (c *checker) knows(name string) bool {
	if slices.ContainsFunc(c.unread, func(unread string) bool { return strings.EqualFold(unread, name) }) {
		return true
	}
	_, err := c.library.Lookup(name)
	return err == nil
}
