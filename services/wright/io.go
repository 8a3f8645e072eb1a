package main

import "io"

// IO is what a command meets of the world around the process.
type IO struct {
	// Out takes answers, Err progress and complaints.
	Out, Err io.Writer
	// Terminal tells whether Err is one, for progress bars.
	Terminal bool
	// Getenv looks up an environment variable.
	Getenv func(string) string
	// Environ lists the environment, to find misspelt settings; nil lists none.
	Environ func() []string
}
