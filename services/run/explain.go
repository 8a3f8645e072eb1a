package run

import (
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"

	"github.com/alecthomas/kong"

	"spindlewright/pkg/vocabulary"
)

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
	if err != nil || u.Scheme == "" && strings.ContainsAny(text, "= ") {
		return "(not an address)" // may be a list of words with a password among them
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

// Reference describes every setting, as a Markdown table.
func Reference() (string, error) {
	flags, err := settingFlags()
	if err != nil {
		return "", err
	}
	var b strings.Builder
	b.WriteString("| flag | variable | YAML key | default | meaning |\n|---|---|---|---|---|\n")
	for _, f := range flags {
		yaml := "`" + key(f.Name) + "`"
		if f.Name == configFileFlag {
			yaml = "-"
		}
		fallback := "-"
		if f.HasDefault {
			fallback = "`" + f.Default + "`"
		}
		fmt.Fprintf(&b, "| `--%s` | `%s` | %s | %s | %s |\n", f.Name, EnvName(f.Name), yaml, fallback, f.Help)
	}
	return b.String(), nil
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
			list = append(list, fmt.Sprintf("%s is no setting; the nearest is %s", name, vocabulary.Closest(name, known)))
		}
	}
	return list, nil
}
