package config

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Name is the name of the configuration file.
const Name = "spillway.toml"

// maxFile bounds the size of a configuration file.
const maxFile = 4 << 20

// Options say where a configuration comes from.
type Options struct {
	File string   // "" looks for Name in Dirs
	Dirs []string // nil: [Dirs]
	Env  []string // NAME=value; nil: that of the process
	// Flags are settings from the command line, by path with dots: "publish.listen". They beat the environment, which
	// beats the file.
	Flags map[string]string
}

// Dirs returns the folders in which a configuration is looked for, in order: the current one, the user's, the system's.
func Dirs() []string {
	dirs := []string{"."}
	if user, err := os.UserConfigDir(); err == nil {
		dirs = append(dirs, filepath.Join(user, "spillway"))
	}
	return append(dirs, "/etc/spillway")
}

// A MissingError says that no configuration was named and none stands where one is looked for.
type MissingError struct {
	Tried []string // paths
}

// Error returns where it was looked for, and what to do.
func (e *MissingError) Error() string {
	return fmt.Sprintf("there is no configuration at %s: write one, or name it with --config FILE", strings.Join(e.Tried, ", "))
}

// Load reads, merges and checks a configuration. Its errors are of type [*Error], which holds every fault found, or
// [*MissingError]; what is worth a word and no fault stands in the Config's Notices. Files that the configuration names
// (passwords, tokens, certificates) are read too.
func Load(o Options) (*Config, error) {
	file, err := find(o)
	if err != nil {
		return nil, err
	}
	doc, err := read(file)
	if err != nil {
		return nil, err
	}
	return parseConfig(doc, file, o)
}

func find(o Options) (string, error) {
	if o.File != "" {
		return o.File, nil
	}
	dirs := o.Dirs
	if dirs == nil {
		dirs = Dirs()
	}
	var tried []string
	for _, dir := range dirs {
		file := filepath.Join(dir, Name)
		if info, err := os.Stat(file); err == nil && !info.IsDir() {
			return file, nil
		}
		tried = append(tried, file)
	}
	return "", &MissingError{Tried: tried}
}

func fileFault(file, format string, args ...any) *Error {
	return &Error{Faults: []Fault{{File: file, What: fmt.Sprintf(format, args...)}}}
}

func read(file string) ([]byte, error) {
	f, err := os.Open(file)
	if errors.Is(err, os.ErrNotExist) {
		return nil, fileFault(file, "there is no such file: write it, or name another with --config FILE")
	} else if err != nil {
		return nil, fileFault(file, "cannot be opened: %v", cause(err))
	}
	defer f.Close()
	doc, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	switch {
	case err != nil:
		return nil, fileFault(file, "cannot be read: %v", cause(err))
	case len(doc) > maxFile:
		return nil, fileFault(file, "is larger than %d MB, which no configuration is", maxFile>>20)
	}
	return doc, nil
}

// cause strips the path off an error of the file system, which the message names already.
func cause(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// A loader collects what the readers of a configuration find.
type loader struct {
	keys    *keyTree
	faults  []Fault
	notices []Notice
	dir     string // folder of the file
	all     names
}

// names lists what is defined, so that a reference to a thing that is only faulty is no second fault.
type names struct {
	feeds, links, devices, procedures []string
}

func (l *loader) fault(n *node, path, value, format string, args ...any) {
	l.faults = append(l.faults, faultAt(n, path, value, fmt.Sprintf(format, args...)))
}

func parseConfig(doc []byte, file string, o Options) (*Config, error) {
	if o.Env == nil {
		o.Env = os.Environ()
	}
	root, faults := parse(doc, place{file: file})
	if root == nil {
		return nil, &Error{Faults: faults}
	}
	all := keys()
	s := &sieve{keys: newKeyTree(all), all: all, faults: faults}
	s.table(root, s.keys, "")
	settings := [][]setting{s.variables(o.Env), s.flags(o.Flags)}
	root.line, root.col = 1, 1
	vals := branch(root, s.keys)
	for _, layer := range settings {
		var err error
		if vals, err = over(vals, layer, s.keys); err != nil {
			return nil, err
		}
	}
	l := &loader{keys: s.keys, faults: s.faults, notices: s.notices, dir: filepath.Dir(file)}
	c := l.config(section{l: l, at: root, vals: vals})
	c.File = file
	if len(l.faults) > 0 {
		return nil, &Error{Faults: inOrder(l.faults)}
	}
	return c, nil
}

// path makes a path absolute; a relative one is meant from the folder of the configuration.
func (l *loader) path(p string) string {
	if p == "" {
		return p
	}
	if !filepath.IsAbs(p) {
		p = filepath.Join(l.dir, p)
	}
	if abs, err := filepath.Abs(p); err == nil {
		return abs
	}
	return p
}
