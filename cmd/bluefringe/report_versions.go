package main

import (
	"runtime/debug"

	written "bluefringe/tui/report"
)

// versionFacts names the program and what it was built from.
func versionFacts() (list []written.Fact, modules []string) {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return []written.Fact{{Name: "program", Value: "bluefringe, built without version information"}}, nil
	}
	list = []written.Fact{{Name: "program", Value: "bluefringe " + info.Main.Version}, {Name: "Go", Value: info.GoVersion}}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			list = append(list, written.Fact{Name: "source revision", Value: s.Value})
		case "vcs.time":
			list = append(list, written.Fact{Name: "source of", Value: s.Value})
		case "vcs.modified":
			if s.Value == "true" {
				list = append(list, written.Fact{Name: "source", Value: "changed since that revision"})
			}
		case "GOOS", "GOARCH":
			list = append(list, written.Fact{Name: s.Key, Value: s.Value})
		}
	}
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		modules = append(modules, m.Path+" "+m.Version)
	}
	return list, modules
}
