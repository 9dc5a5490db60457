package export

import (
	"regexp"
	"strings"
)

// Role is what a spectrum was taken of.
type Role int

// Roles. Only spectra that are called so are others than samples.
const (
	Sample    Role = iota
	Dark           // the detector without light
	Reference      // a piece of known reflectance
)

var (
	darkName      = regexp.MustCompile(`^(dark|dunkel|background|bkg|bkgd)([ _-]?(spectrum|spektrum|counts?|current|signal|intensity|raw|reference|[0-9]+))*$`)
	referenceName = regexp.MustCompile(`^((white|light|bright|lamp|silicon|si)[ _-]?)?(reference|referenz|ref)([ _-]?(spectrum|spektrum|counts?|signal|intensity|raw|[0-9]+))*$`)
)

// RoleOf reads a name as a role.
func RoleOf(name string) Role {
	name = strings.ToLower(strings.TrimSpace(name))
	if at := strings.IndexAny(name, "(["); at > 0 { // "Dark (counts)"
		name = strings.TrimSpace(name[:at])
	}
	switch {
	case darkName.MatchString(name):
		return Dark
	case referenceName.MatchString(name):
		return Reference
	}
	return Sample
}
