package main

import (
	"io"
	"strings"
)

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
	// Self is how a person calls this program again; empty means "wright".
	Self string
}

// self gives what to type to call this program again. go run builds it into a
// folder that is gone afterwards, so that its path is of no use.
func self(program string) string {
	if strings.Contains(program, "go-build") {
		return "go run ./services/wright"
	}
	return program
}
