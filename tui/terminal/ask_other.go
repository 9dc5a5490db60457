//go:build !unix

package terminal

import "time"

// Ask knows nothing here: a console cannot be read with a deadline.
func Ask(time.Duration) (b Background, late bool) { return Unknown, false }
