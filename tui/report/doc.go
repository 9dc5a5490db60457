// Package report draws the written report of a run, as one HTML page or as Markdown,
// from the values it is given.
//
// It lives in tui because that is the room of presentation: like the screen it knows no
// device, no file, no clock and no physics, and the same values give the same bytes.
// Report.document lays out what there is to say as blocks of plain text, tables and
// figures; html.go and markdown.go write these down, and they alone escape. Text from
// records goes in as it came, less what a terminal must not see.
//
// Numbers are printed with the digits they have: whoever rounds them before gets what
// other outputs of the program print. A number that does not exist is NaN and becomes a
// dash.
package report
