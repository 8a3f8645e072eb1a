package main

import (
	"context"
	"errors"
)

// DoctorCommand looks a site over.
type DoctorCommand struct{}

// Run looks.
func (c *DoctorCommand) Run(ctx context.Context, io IO) error { return errors.New("not built yet") }
