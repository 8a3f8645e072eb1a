package main

import (
	"context"
	"errors"
)

// DemoCommand runs an invented network from its history to its figures.
type DemoCommand struct{}

// Run runs it.
func (c *DemoCommand) Run(ctx context.Context, io IO) error { return errors.New("not built yet") }
