//go:build !linux && !windows

package main

import (
	"context"

	"github.com/kardianos/service"

	"faultkeep/daemon/logs"
)

const (
	usualAccount = "faultkeep"
	whereLogs    = "Its log tells why"
)

func asService(ctx context.Context, _ string, work func(context.Context, logs.Events) error) error {
	return work(ctx, nil)
}

func canInstall() error { return noService() }

func (*installCommand) described(plan) (string, error) { return "", noService() }

func (*installCommand) minds(plan) []string { return nil }

func (c *installCommand) install(context.Context, plan, output) error { return noService() }

func control() (service.Service, error) { return nil, noService() }

func remove(context.Context, state) error { return noService() }

func look(context.Context) (state, error) { return state{}, noService() }
