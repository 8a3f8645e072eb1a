package run

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"go.yaml.in/yaml/v3"

	"spindlewright/pkg/vocabulary"
)

// EnvPrefix begins the name of every environment variable that is a setting.
const EnvPrefix = "SPINDLEWRIGHT_"

// EnvName is the environment variable of a flag.
func EnvName(flag string) string {
	return EnvPrefix + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

// key is the YAML key of a flag.
func key(flag string) string { return strings.ReplaceAll(flag, "-", "_") }

const configFileFlag = "config-file"

// Sources resolves flags that the command line did not give, from the
// environment and then from the YAML file that --config-file names. It is a
// kong.Resolver.
type Sources struct {
	// Getenv looks a variable up; empty means unset.
	Getenv func(string) string

	loaded bool
	file   map[string]any
}

// Validate is part of kong.Resolver; the file is checked when it is read.
func (s *Sources) Validate(*kong.Application) error { return nil }

// Resolve gives the value of a flag, or nil when neither source has it.
func (s *Sources) Resolve(ctx *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	if flag.Name == "help" {
		return nil, nil
	}
	if err := s.load(ctx); err != nil {
		return nil, err
	}
	if v := s.Getenv(EnvName(flag.Name)); v != "" {
		return v, nil
	}
	if flag.Name == configFileFlag {
		return nil, nil
	}
	if v, ok := s.file[key(flag.Name)]; ok {
		return plain(v), nil
	}
	return nil, nil
}

// load reads the file once, as soon as the first flag asks.
func (s *Sources) load(ctx *kong.Context) error {
	if s.loaded {
		return nil
	}
	s.loaded = true
	path := s.Getenv(EnvName(configFileFlag))
	for _, f := range ctx.Flags() {
		if f.Name != configFileFlag {
			continue
		}
		if given, _ := ctx.FlagValue(f).(string); given != "" {
			path = given
		}
	}
	if path == "" {
		return nil
	}
	var err error
	s.file, err = ReadFile(path)
	return err
}

// ReadFile reads a settings file and refuses keys that are no setting.
func ReadFile(path string) (map[string]any, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	values, err := readYAML(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return values, nil
}

func readYAML(r io.Reader) (map[string]any, error) {
	values := map[string]any{}
	if err := yaml.NewDecoder(r).Decode(&values); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("is not a YAML map of settings: %w", err)
	}
	known, err := settingKeys()
	if err != nil {
		return nil, err
	}
	var wrong []error
	for _, k := range slices.Sorted(maps.Keys(values)) {
		if !slices.Contains(known, k) {
			wrong = append(wrong, fmt.Errorf("%q is no setting; the nearest is %q", k, vocabulary.Closest(k, known)))
		}
	}
	return values, errors.Join(wrong...)
}

// settingKeys lists the YAML keys, from the one struct.
func settingKeys() ([]string, error) {
	flags, err := settingFlags()
	if err != nil {
		return nil, err
	}
	var keys []string
	for _, f := range flags {
		if f.Name != configFileFlag {
			keys = append(keys, key(f.Name))
		}
	}
	return keys, nil
}

func settingFlags() ([]*kong.Flag, error) {
	k, err := kong.New(&Settings{}, kong.NoDefaultHelp())
	if err != nil {
		return nil, err
	}
	return k.Model.Flags, nil
}

// plain turns what YAML gives into what kong decodes: scalars as text.
func plain(v any) any {
	switch v := v.(type) {
	case map[string]any, []any, bool:
		return v
	case nil:
		return nil
	default:
		return fmt.Sprint(v)
	}
}

// CheckFile reads a settings file and tries every value in it.
func CheckFile(path string) error {
	values, err := ReadFile(path)
	if err != nil {
		return err
	}
	sources := &Sources{Getenv: func(string) string { return "" }, loaded: true, file: values}
	var s Settings
	k, err := kong.New(&s, kong.Resolvers(sources))
	if err != nil {
		return err
	}
	if _, err = k.Parse(nil); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
