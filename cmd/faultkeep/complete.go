package main

import (
	"cmp"
	"embed"
	"fmt"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// completionCommand prints what makes a shell complete faultkeep's commands.
type completionCommand struct {
	Shell string `arg:"" enum:"bash,zsh,fish,powershell" help:"bash, zsh, fish or powershell."`
}

// Help is shown by --help.
func (completionCommand) Help() string {
	return `bash:        source <(faultkeep completion bash)      in ~/.bashrc
zsh:         source <(faultkeep completion zsh)       in ~/.zshrc, after compinit
fish:        faultkeep completion fish > ~/.config/fish/completions/faultkeep.fish
PowerShell:  faultkeep completion powershell | Out-String | Invoke-Expression      in $PROFILE`
}

//go:embed completion
var completions embed.FS

// Run prints the shell's script.
func (c *completionCommand) Run(out output) error {
	b, err := completions.ReadFile("completion/" + c.Shell)
	if err == nil {
		_, err = out.Out.Write(b)
	}
	return err
}

// completeCommand is what those scripts ask: which words may stand here. It
// answers a word a line, with its help behind a tab, or ":files".
type completeCommand struct {
	Word  string   `help:"The word that is being written."`
	Words []string `arg:"" optional:"" help:"Those before it, without the program."`
}

// Run answers.
func (c *completeCommand) Run(k *kong.Context, out output) error {
	for _, line := range candidates(k.Model.Node, c.Words, c.Word) {
		if _, err := fmt.Fprintln(out.Out, line); err != nil {
			return err
		}
	}
	return nil
}

// candidates are the words that may stand for one that begins so.
func candidates(node *kong.Node, before []string, word string) (out []string) {
	add := func(candidate, help string) {
		if strings.HasPrefix(candidate, word) {
			out = append(out, candidate+"\t"+help)
		}
	}
	var open *kong.Flag // waits for its value
	given := 0          // arguments of the command so far
	used := map[string]bool{}
	for _, w := range before {
		switch {
		case open != nil:
			open = nil
		case strings.HasPrefix(w, "--"):
			name, _, whole := strings.Cut(w[2:], "=")
			if f := flagOf(node, name); f != nil {
				used[f.Name] = !f.IsSlice()
				if !whole && !f.IsBool() {
					open = f
				}
			}
		case strings.HasPrefix(w, "-"):
		default:
			if child := childOf(node, w); child != nil {
				node = child
			} else {
				given++
			}
		}
	}
	values := func(v *kong.Value, shown string) []string {
		for _, e := range v.EnumSlice() {
			if e != "" {
				add(e, v.Help)
			}
		}
		if len(out) == 0 && v.Enum == "" && isFile(cmp.Or(shown, v.Name)) {
			return []string{":files"}
		}
		return out
	}
	switch {
	case open != nil:
		return values(open.Value, open.PlaceHolder)
	case strings.HasPrefix(word, "-"):
		for _, group := range node.AllFlags(true) {
			for _, f := range group {
				if !used[f.Name] {
					add("--"+f.Name, short(f.Help))
				}
			}
		}
		return out
	}
	for _, child := range node.Children {
		if !child.Hidden {
			add(child.Name, short(child.Help))
		}
	}
	if n := len(node.Positional); n > 0 {
		p := node.Positional[min(given, n-1)]
		if given < n || p.IsSlice() {
			return values(p, "")
		}
	}
	return out
}

func flagOf(node *kong.Node, name string) *kong.Flag {
	for _, group := range node.AllFlags(false) {
		if i := slices.IndexFunc(group, func(f *kong.Flag) bool { return f.Name == name }); i >= 0 {
			return group[i]
		}
	}
	return nil
}

func childOf(node *kong.Node, name string) *kong.Node {
	i := slices.IndexFunc(node.Children, func(n *kong.Node) bool { return n.Name == name || slices.Contains(n.Aliases, name) })
	if i < 0 {
		return nil
	}
	return node.Children[i]
}

// isFile tells by how a value is called whether it names a file or folder.
func isFile(shown string) bool {
	shown = strings.ToUpper(shown)
	return strings.HasPrefix(shown, "FILE") || shown == "DIR" || shown == "FOLDER" || shown == "PATH"
}

// short is a help's first sentence.
func short(help string) string {
	if i := strings.Index(help, ". "); i > 0 {
		help = help[:i]
	}
	return strings.TrimSuffix(strings.ReplaceAll(help, "\n", " "), ".")
}
