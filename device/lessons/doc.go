// Package lessons holds the lessons of bluefringe train: invented dies with what is hidden
// of them, and what each teaches. They are TOML files, ten that the program carries
// (files/) and a lab's own; every fault of a file is reported with file, line, key, what
// was found and what is allowed.
//
// Most values of the truth are ranges, from which a seed draws (Lesson.Draw), so that no
// lesson can be learnt by heart. All values are invented.
package lessons
