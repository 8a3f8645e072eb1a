package run

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"net/url"
	"os"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"go.yaml.in/yaml/v3"
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
			wrong = append(wrong, fmt.Errorf("%q is no setting; the nearest is %q", k, Nearest(k, known)))
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

// InForce is one setting with its value and where that came from.
type InForce struct {
	Key, Value, From string
}

// Explain lists every setting that ctx parsed, in the order of the struct.
// Secrets in addresses are masked.
func (s *Sources) Explain(ctx *kong.Context) ([]InForce, error) {
	names, err := settingFlags()
	if err != nil {
		return nil, err
	}
	given := map[string]bool{}
	for _, p := range ctx.Path {
		if p.Flag != nil && !p.Resolved {
			given[p.Flag.Name] = true
		}
	}
	parsed := map[string]*kong.Flag{}
	for _, f := range ctx.Flags() {
		parsed[f.Name] = f
	}
	var list []InForce
	for _, n := range names {
		f := parsed[n.Name]
		if f == nil {
			continue
		}
		list = append(list, InForce{Key: key(f.Name), Value: show(f), From: s.origin(f, given[f.Name])})
	}
	return list, nil
}

func (s *Sources) origin(f *kong.Flag, given bool) string {
	_, inFile := s.file[key(f.Name)]
	switch {
	case given:
		return "flag --" + f.Name
	case s.Getenv(EnvName(f.Name)) != "":
		return "environment " + EnvName(f.Name)
	case inFile:
		return "file"
	default:
		return "default"
	}
}

func show(f *kong.Flag) string {
	switch v := f.Target.Interface().(type) {
	case string:
		if f.Tag.Has("secret") {
			return maskURLs(v)
		}
		return v
	case []string:
		return strings.Join(v, ",")
	case map[string]string:
		var parts []string
		for _, k := range slices.Sorted(maps.Keys(v)) {
			parts = append(parts, k+"="+v[k])
		}
		return strings.Join(parts, ",")
	default:
		return fmt.Sprint(v)
	}
}

// maskURLs hides passwords in a comma-separated list of addresses, and query
// values, which may carry keys.
func maskURLs(list string) string {
	if list == "" {
		return ""
	}
	parts := strings.Split(list, ",")
	for i, p := range parts {
		parts[i] = maskURL(p)
	}
	return strings.Join(parts, ",")
}

func maskURL(text string) string {
	u, err := url.Parse(text)
	if err != nil {
		return "(not an address)"
	}
	q := u.Query()
	for k := range q {
		lower := strings.ToLower(k)
		if strings.Contains(lower, "key") || strings.Contains(lower, "secret") || strings.Contains(lower, "password") {
			q.Set(k, "xxxxx")
		}
	}
	u.RawQuery = q.Encode()
	return u.Redacted()
}

// Strangers finds variables that look like settings and are none, each with the
// nearest that is; also are further variables that mean something here.
func Strangers(environ []string, also ...string) ([]string, error) {
	flags, err := settingFlags()
	if err != nil {
		return nil, err
	}
	known := slices.Clone(also)
	for _, f := range flags {
		known = append(known, EnvName(f.Name))
	}
	var list []string
	for _, e := range environ {
		name, _, _ := strings.Cut(e, "=")
		if strings.HasPrefix(name, EnvPrefix) && !slices.Contains(known, name) {
			list = append(list, fmt.Sprintf("%s is no setting; the nearest is %s", name, Nearest(name, known)))
		}
	}
	return list, nil
}

// Nearest gives the word of known with the smallest edit distance to word.
func Nearest(word string, known []string) string {
	best, at := "", -1
	for _, k := range known {
		if d := distance(word, k); at < 0 || d < at {
			best, at = k, d
		}
	}
	return best
}

// distance is Levenshtein's: insertions, deletions and replacements of bytes.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
