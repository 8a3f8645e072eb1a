package main

import (
	"context"
	"errors"
)

// QueryCommand asks for failure modes and MTBR.
type QueryCommand struct{}

// Run runs it.
func (c *QueryCommand) Run(ctx context.Context, io IO) error { return errors.New("not built yet") }
