package main

import (
	"context"
	"errors"
)

// ImportCommand takes a repair history in.
type ImportCommand struct{}

// Run runs it.
func (c *ImportCommand) Run(ctx context.Context, io IO) error { return errors.New("not built yet") }
