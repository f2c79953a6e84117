// Package commands reads a command line into a struct by the tags of its fields, and prints help for it.
//
// It looks no method up by name. A library that does makes the linker keep every method of every type:
// with one, the board's program is 10 MB larger, most of it never run and much of it in memory.
//
// A field with the tag cmd is a command, or a group of commands; one with the tag arg an argument; any
// other a flag. Tags: help, name (else the field's, in small letters with hyphens), hidden, required,
// optional, default, enum (words separated by commas), placeholder, short, passthrough (an argument that
// takes all that follows, flags too). An embedded struct, and a field with the tag embed, adds its fields.
// ${default} and ${enum} in help stand for what the tags say.
package commands

import (
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Command is a command, a group of commands, or the whole program.
type Command struct {
	Name     string
	Help     string // in one sentence
	Detail   string // what its method Help returns
	Hidden   bool
	Parent   *Command // nil for the program
	Children []*Command
	Flags    []*Value
	Args     []*Value

	target reflect.Value // the struct
}

// Value is a flag or an argument.
type Value struct {
	Name, Help  string
	Placeholder string
	Default     string
	Enum        []string
	Short       rune // 0 for none
	Hidden      bool
	Required    bool

	flag        bool // not an argument
	hasDefault  bool
	passthrough bool
	target      reflect.Value
	set         bool
}

// Helper has more to say in the help for a command.
type Helper interface{ Help() string }

// Error is a command line that can't be read. Command is the one that it was for, the program where
// none was found.
type Error struct {
	Command *Command
	err     error
}

// Error says what is wrong.
func (e *Error) Error() string { return e.err.Error() }

// New returns the commands of a program from a pointer to a struct. It panics where the struct's tags
// contradict each other or are not known: that is a bug.
func New(name, help string, program any) *Command {
	c := &Command{Name: name, Help: help}
	c.fill(reflect.ValueOf(program).Elem())
	return c
}

// tags are all that a field may have.
var tags = []string{
	"help", "name", "hidden", "required", "optional", "default", "enum", "placeholder", "short", "passthrough", "embed", "cmd", "arg",
}

// fill takes the fields of a command's struct.
func (c *Command) fill(v reflect.Value) {
	c.target = v
	if h, ok := v.Addr().Interface().(Helper); ok {
		c.Detail = h.Help()
	}
	c.fields(v)
}

func (c *Command) fields(v reflect.Value) {
	for i := range v.NumField() {
		f := v.Type().Field(i)
		tag := tagsOf(f)
		_, embedded := tag["embed"]
		if embedded || f.Anonymous {
			c.fields(v.Field(i))
			continue
		}
		name := tag["name"]
		if name == "" {
			name = hyphenated(f.Name)
		}
		_, hidden := tag["hidden"]
		if _, is := tag["cmd"]; is {
			sub := &Command{Name: name, Help: tag["help"], Hidden: hidden, Parent: c}
			sub.fill(v.Field(i))
			c.Children = append(c.Children, sub)
			continue
		}
		c.add(f, name, hidden, tag, v.Field(i))
	}
}

// add adds a flag or an argument.
func (c *Command) add(f reflect.StructField, name string, hidden bool, tag map[string]string, target reflect.Value) {
	v := &Value{Name: name, Help: tag["help"], Placeholder: tag["placeholder"], Default: tag["default"], Hidden: hidden, target: target}
	_, v.hasDefault = tag["default"]
	_, v.Required = tag["required"]
	_, v.passthrough = tag["passthrough"]
	for _, r := range tag["short"] {
		v.Short = r
	}
	if enum, ok := tag["enum"]; ok {
		v.Enum = strings.Split(enum, ",")
	}
	v.Help = strings.NewReplacer("${default}", v.Default, "${enum}", tag["enum"]).Replace(v.Help)
	if v.hasDefault && v.Default != "" {
		if err := v.parse(v.Default); err != nil {
			panic(fmt.Sprintf("bug: command line: %s: default: %v", f.Name, err))
		}
		v.set = false
	}
	if _, is := tag["arg"]; is {
		_, optional := tag["optional"]
		v.Required = !optional
		c.Args = append(c.Args, v)
		return
	}
	v.flag = true
	c.Flags = append(c.Flags, v)
}

// tagsOf returns the tags of a field, by name.
func tagsOf(f reflect.StructField) map[string]string {
	all := map[string]string{}
	rest := string(f.Tag)
	for _, name := range tags {
		if value, ok := f.Tag.Lookup(name); ok {
			all[name] = value
			rest = strings.Replace(rest, name+":"+strconv.Quote(value), "", 1)
		}
	}
	if strings.TrimSpace(rest) != "" {
		panic(fmt.Sprintf("bug: command line: %s: tag not known: %s", f.Name, rest))
	}
	return all
}

// hyphenated returns the name of a field as a command line has it: NewKeyFile is new-key-file.
func hyphenated(name string) string {
	var b strings.Builder
	all := []rune(name)
	for i, r := range all {
		begins := i > 0 && unicode.IsUpper(r) && (unicode.IsLower(all[i-1]) || i+1 < len(all) && unicode.IsLower(all[i+1]))
		if begins {
			b.WriteByte('-')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// Path returns the names of the groups that a command is in and its own, without the program's.
func (c *Command) Path() string {
	if c.Parent == nil {
		return ""
	}
	return strings.TrimSpace(c.Parent.Path() + " " + c.Name)
}

// Program returns the whole program.
func (c *Command) Program() *Command {
	for c.Parent != nil {
		c = c.Parent
	}
	return c
}

// Target returns a pointer to the struct of a command, with what was read into it.
func (c *Command) Target() any { return c.target.Addr().Interface() }

// Child returns the command of this name, nil without one.
func (c *Command) Child(name string) *Command {
	i := slices.IndexFunc(c.Children, func(sub *Command) bool { return sub.Name == name })
	if i < 0 {
		return nil
	}
	return c.Children[i]
}

// AllFlags returns the program's flags, those of each group and the command's own; not those that are hidden.
func (c *Command) AllFlags() (all []*Value) {
	if c.Parent != nil {
		all = c.Parent.AllFlags()
	}
	for _, f := range c.Flags {
		if !f.Hidden {
			all = append(all, f)
		}
	}
	return all
}

// Flag returns the flag that a word begins, as in --name or -n; nil where it is none.
func (c *Command) Flag(word string) *Value {
	word, _, _ = strings.Cut(word, "=")
	for at := c; at != nil; at = at.Parent {
		for _, f := range at.Flags {
			if word == "--"+f.Name || f.Short != 0 && word == "-"+string(f.Short) {
				return f
			}
		}
	}
	return nil
}

// Answer is called for each flag without a value that a command line has, with the command so far. Where
// it returns true, nothing more of the command line is read.
type Answer func(c *Command, flag *Value) (done bool)

// Parse reads a command line and returns the command that it is for. done is true where answer has
// answered it. An error is an *Error.
func (c *Command) Parse(words []string, answer Answer) (cmd *Command, done bool, err error) {
	cmd = c
	fail := func(err error) (*Command, bool, error) { return nil, false, &Error{Command: cmd, err: err} }
	args, flagsToo := 0, true
	for len(words) > 0 {
		word := words[0]
		words = words[1:]
		switch {
		case flagsToo && word == "--":
			flagsToo = false
		case flagsToo && len(word) > 1 && word[0] == '-':
			flag := cmd.Flag(word)
			if flag == nil {
				return fail(fmt.Errorf("unknown flag %s", word))
			}
			if words, err = flag.take(word, words); err != nil {
				return fail(err)
			}
			if flag.IsBool() && answer(cmd, flag) {
				return cmd, true, nil
			}
		case len(cmd.Children) > 0:
			sub := cmd.Child(word)
			if sub == nil {
				return fail(fmt.Errorf("%s: want one of %s", word, cmd.names()))
			}
			cmd = sub
			if len(cmd.Args) > 0 && cmd.Args[0].passthrough && !cmd.asksForHelp(words) {
				flagsToo = false
			}
		case args == len(cmd.Args):
			return fail(fmt.Errorf("unexpected argument %s", word))
		default:
			arg := cmd.Args[args]
			if err := arg.parse(word); err != nil {
				return fail(fmt.Errorf("<%s>: %w", arg.Name, err))
			}
			if !arg.IsList() {
				args++
			}
		}
	}
	if err := cmd.complete(); err != nil {
		return fail(err)
	}
	return cmd, false, nil
}

// asksForHelp reports whether what follows begins with a flag of the program.
func (c *Command) asksForHelp(words []string) bool {
	return len(words) > 0 && c.Program().Flag(words[0]) != nil
}

// take reads a flag's value from its word or from the next, and returns the words that are left.
func (v *Value) take(word string, words []string) (left []string, err error) {
	name, value, given := strings.Cut(word, "=")
	switch {
	case given:
	case v.IsBool():
		value = "true"
	case len(words) == 0:
		return words, fmt.Errorf("%s: want a value after it: %s", name, v)
	case strings.HasPrefix(words[0], "--"):
		return words, fmt.Errorf("%s: want a value after it, not the flag %s: %s", name, words[0], v)
	default:
		value, words = words[0], words[1:]
	}
	if err := v.parse(value); err != nil {
		return words, fmt.Errorf("%s: %w", name, err)
	}
	return words, nil
}

// complete returns what is missing of a command.
func (c *Command) complete() error {
	if len(c.Children) > 0 {
		return fmt.Errorf("want one of %s", c.names())
	}
	var missing []string
	for _, f := range c.Flags {
		if f.Required && !f.set {
			missing = append(missing, f.String())
		}
	}
	for _, a := range c.Args {
		if a.Required && !a.set {
			missing = append(missing, a.Summary())
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("missing: %s", strings.Join(missing, ", "))
	}
	return nil
}

func (c *Command) names() string {
	var names []string
	for _, sub := range c.Children {
		if !sub.Hidden {
			names = append(names, sub.Name)
		}
	}
	return strings.Join(names, ", ")
}

// IsBool reports whether a flag stands without a value.
func (v *Value) IsBool() bool { return v.target.Kind() == reflect.Bool }

// IsList reports whether it may be given several times.
func (v *Value) IsList() bool { return v.target.Kind() == reflect.Slice }

// parse reads a value into its field; a list of flags is separated by commas.
func (v *Value) parse(text string) error {
	if v.Enum != nil && !slices.Contains(v.Enum, text) {
		return fmt.Errorf("%q: want one of %s", text, strings.Join(v.Enum, ", "))
	}
	switch {
	case v.IsList():
		words := []string{text}
		if v.flag {
			words = strings.Split(text, ",")
		}
		for _, word := range words {
			item := reflect.New(v.target.Type().Elem()).Elem()
			if err := parse(item, word); err != nil {
				return err
			}
			v.target.Set(reflect.Append(v.target, item))
		}
	case v.target.Kind() == reflect.Pointer:
		item := reflect.New(v.target.Type().Elem())
		if err := parse(item.Elem(), text); err != nil {
			return err
		}
		v.target.Set(item)
	default:
		if err := parse(v.target, text); err != nil {
			return err
		}
	}
	v.set = true
	return nil
}

func parse(target reflect.Value, text string) (err error) {
	var n int64
	var u uint64
	var f float64
	var b bool
	switch p := target.Addr().Interface().(type) {
	case *time.Duration:
		if *p, err = time.ParseDuration(text); err != nil {
			return fmt.Errorf("%q: want a time such as 90s, 10m or 48h", text)
		}
		return nil
	case encoding.TextUnmarshaler:
		if err := p.UnmarshalText([]byte(text)); err != nil {
			return fmt.Errorf("%q: want a time such as 2026-03-09T06:30:00Z", text)
		}
		return nil
	}
	bits := 0
	if k := target.Kind(); k >= reflect.Int && k <= reflect.Float64 {
		bits = target.Type().Bits()
	}
	switch target.Kind() {
	case reflect.String:
		target.SetString(text)
	case reflect.Bool:
		b, err = strconv.ParseBool(text)
		target.SetBool(b)
	case reflect.Int, reflect.Int64:
		n, err = strconv.ParseInt(text, 10, bits)
		target.SetInt(n)
	case reflect.Uint64:
		u, err = strconv.ParseUint(text, 10, bits)
		target.SetUint(u)
	case reflect.Float64:
		f, err = strconv.ParseFloat(text, bits)
		target.SetFloat(f)
	default:
		panic("bug: command line: no values of type " + target.Type().String())
	}
	if errors.Is(err, strconv.ErrRange) {
		return fmt.Errorf("%q: too large", text)
	}
	if err != nil {
		want := map[reflect.Kind]string{reflect.Bool: "true or false", reflect.Float64: "a number"}[target.Kind()]
		if want == "" {
			want = "a whole number"
		}
		return fmt.Errorf("%q: want %s", text, want)
	}
	return nil
}
