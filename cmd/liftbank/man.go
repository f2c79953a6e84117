package main

import (
	"fmt"
	"strings"

	"liftbank/cmd/internal/commands"
)

type manCmd struct{}

// Run prints the manual page, which is made from the commands: groff_man(7).
func (manCmd) Run(s streams, cmd *commands.Command) error {
	_, err := fmt.Fprint(s.out, manual(cmd.Program()))
	return err
}

// manual returns the manual page.
func manual(app *commands.Command) string {
	var b strings.Builder
	b.WriteString(".\\\" Made from the program's commands: liftbank man\n.TH LIFTBANK 1 \"\" liftbank \"User Commands\"\n")
	b.WriteString(".SH NAME\nliftbank \\- watch the battery bank of a battery\\-powered lift\n")
	b.WriteString(".SH SYNOPSIS\n.B liftbank\n.I command\n.RI [ flags ]\n.SH DESCRIPTION\n")
	manText(&b, description)
	manText(&b, "Wherever a file is read, - is standard input.")
	b.WriteString(".SH COMMANDS\n")
	manCommands(&b, app)
	b.WriteString(".SH \"FLAGS OF ALL COMMANDS\"\n")
	manFlags(&b, app.Flags)
	b.WriteString(".SH \"EXIT STATUS\"\n")
	for _, e := range exitCodes {
		fmt.Fprintf(&b, ".TP\n.B %d\n%s\n", e.code, roff(e.when))
	}
	b.WriteString(".SH FILES\n")
	for _, f := range [][2]string{
		{"/etc/liftbank/unit.yaml", "configuration of the unit that the service watches"},
		{"/etc/liftbank/unit.yaml.example", "an example with every field"},
		{"/var/lib/liftbank", "what the service has learned and recorded"},
		{"/usr/share/doc/liftbank/config.md", "every field of the configuration"},
	} {
		fmt.Fprintf(&b, ".TP\n.I %s\n%s\n", roff(f[0]), roff(f[1]))
	}
	b.WriteString(".SH \"SEE ALSO\"\n.BR systemctl (1),\n.BR journalctl (1)\n")
	return b.String()
}

// manCommands writes the commands of a group, each group before what is in it.
func manCommands(b *strings.Builder, group *commands.Command) {
	for _, cmd := range group.Children {
		if cmd.Hidden {
			continue
		}
		title := cmd.Summary()
		if len(cmd.Children) > 0 {
			title = cmd.Path() + " command"
		}
		fmt.Fprintf(b, ".SS \"liftbank %s\"\n", roff(title))
		manText(b, cmd.Help)
		manText(b, cmd.Detail)
		for _, arg := range cmd.Args {
			fmt.Fprintf(b, ".TP\n.I %s\n%s\n", roff(arg.Name), roff(arg.Help))
		}
		manFlags(b, cmd.Flags)
		manCommands(b, cmd)
	}
}

func manFlags(b *strings.Builder, flags []*commands.Value) {
	for _, f := range flags {
		if !f.Hidden {
			fmt.Fprintf(b, ".TP\n.B %s\n%s\n", roff(f.String()), roff(f.Help))
		}
	}
}

// manText writes paragraphs. Lines that are indented keep their form.
func manText(b *strings.Builder, text string) {
	kept := false
	keep := func(on bool) {
		if on != kept {
			b.WriteString(map[bool]string{true: ".RS 4\n.nf\n", false: ".fi\n.RE\n"}[on])
		}
		kept = on
	}
	for paragraph := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		if paragraph == "" {
			continue
		}
		b.WriteString(".PP\n")
		for line := range strings.SplitSeq(paragraph, "\n") {
			keep(strings.HasPrefix(line, "  "))
			b.WriteString(roff(strings.TrimLeft(line, " ")) + "\n")
		}
		keep(false)
	}
}

// roff returns a text as the formatter takes it: no line is a request, no hyphen a dash, and what is
// not ASCII is named.
func roff(text string) string {
	var b strings.Builder
	for i, c := range text {
		switch {
		case i == 0 && (c == '.' || c == '\''):
			b.WriteString(`\&` + string(c))
		case c == '\\':
			b.WriteString(`\e`)
		case c == '-':
			b.WriteString(`\-`)
		case c == '"':
			b.WriteString(`\(dq`)
		case c == '\'':
			b.WriteString(`\(aq`)
		case c > '~':
			fmt.Fprintf(&b, `\[u%04X]`, c)
		default:
			b.WriteRune(c)
		}
	}
	return b.String()
}
