package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"faultkeep/daemon/login"
)

type passwordCommand struct {
	JSON bool `name:"json" help:"Write the hash as JSON."`
}

// Help is shown by --help.
func (passwordCommand) Help() string {
	return `Asks for a password twice, without showing it, and prints the hash that stands
for it in the config, below web: users:. Where the input is not a terminal, its
first line is the password. The password itself is stored nowhere.

The hash is Argon2id with the second recommended option of RFC 9106, section 4.`
}

// hashed is the answer for programs.
type hashed struct {
	Hash string `json:"hash"`
}

// Run asks and hashes. Only the hash goes to standard output.
func (c *passwordCommand) Run(ctx context.Context, out output) error {
	password, err := askPassword(ctx, os.Stdin, out.Err)
	if err == nil {
		err = login.CheckPassword(password)
	}
	if err != nil {
		return err
	}
	hash := login.Hash(password)
	if c.JSON {
		return writeJSON(out.Out, hashed{hash})
	}
	if _, err := fmt.Fprintln(out.Out, hash); err != nil {
		return err
	}
	fmt.Fprintf(out.Err, `
Put it into the config, between single quotes:

web:
  users:
    - name: anna             # the name to log in with
      role: technician       # or viewer, who only looks
      hash: '%s'
`, hash)
	return nil
}

// longestLine bounds what is read of an input that isn't a terminal.
const longestLine = 4 << 10

// askPassword reads a password from a terminal, twice, or else a line.
func askPassword(ctx context.Context, in *os.File, say io.Writer) (string, error) {
	fd := int(in.Fd())
	if !term.IsTerminal(fd) {
		line, err := bufio.NewReader(io.LimitReader(in, longestLine)).ReadString('\n')
		if line = strings.TrimRight(line, "\r\n"); line != "" {
			return line, nil
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("the password can't be read: %w", err)
		}
		return "", errors.New("no password came; type one, or send it as one line")
	}
	was, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("this terminal can't hide what is typed: %w", err)
	}
	type answer struct {
		first, second []byte
		err           error
	}
	typed := make(chan answer, 1)
	go func() {
		var a answer
		fmt.Fprint(say, "Password: ")
		if a.first, a.err = term.ReadPassword(fd); a.err == nil {
			fmt.Fprint(say, "\nOnce more: ")
			a.second, a.err = term.ReadPassword(fd)
		}
		fmt.Fprintln(say)
		typed <- a
	}()
	select {
	case <-ctx.Done(): // Ctrl-C: the terminal must show again what is typed
		_ = term.Restore(fd, was)
		fmt.Fprintln(say)
		return "", errSaid
	case a := <-typed:
		switch {
		case a.err != nil:
			return "", fmt.Errorf("the password can't be read: %w", a.err)
		case string(a.first) != string(a.second):
			return "", errors.New("the two passwords differ; try again")
		}
		return string(a.first), nil
	}
}
