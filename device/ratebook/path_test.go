package ratebook

import (
	"errors"
	"path/filepath"
	"testing"
)

func TestDefaultPath(t *testing.T) {
	absolute, err := filepath.Abs("data")
	if err != nil {
		t.Fatal(err)
	}
	home := func() (string, error) { return "home", nil }
	for _, c := range []struct {
		system, name, value, want string
	}{
		{"linux", "", "", filepath.Join("home", ".local", "share", "bluefringe", "book.sqlite")},
		{"linux", "XDG_DATA_HOME", absolute, filepath.Join(absolute, "bluefringe", "book.sqlite")},
		{"linux", "XDG_DATA_HOME", "relative", filepath.Join("home", ".local", "share", "bluefringe", "book.sqlite")},
		{"darwin", "", "", filepath.Join("home", "Library", "Application Support", "bluefringe", "book.sqlite")},
		{"windows", "LocalAppData", "local", filepath.Join("local", "bluefringe", "book.sqlite")},
	} {
		env := func(name string) string {
			if name == c.name {
				return c.value
			}
			return ""
		}
		if got, err := defaultPath(c.system, env, home); err != nil || got != c.want {
			t.Errorf("%s %s=%s: %s, %v; want %s", c.system, c.name, c.value, got, err, c.want)
		}
	}
	homeless := func() (string, error) { return "", errors.New("no home") }
	for _, system := range []string{"linux", "darwin", "windows"} {
		if got, err := defaultPath(system, func(string) string { return "" }, homeless); err == nil {
			t.Errorf("%s: %s without a home", system, got)
		}
	}
}
