package intake

import (
	"errors"
	"fmt"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/vocabulary"
)

// checkTexts refuses what no text of the trade has: NUL and other control
// characters (line breaks and tabs pass in notes, which are long).
func checkTexts(m proto.Message) error { return textsOf("", m.ProtoReflect()) }

func textsOf(prefix string, m protoreflect.Message) (err error) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		path := prefix + string(f.Name())
		switch {
		case f.IsMap():
		case f.IsList():
			for i := range v.List().Len() {
				if err = textOf(fmt.Sprintf("%s[%d]", path, i), f, v.List().Get(i)); err != nil {
					return false
				}
			}
		default:
			err = textOf(path, f, v)
		}
		return err == nil
	})
	return err
}

func textOf(path string, f protoreflect.FieldDescriptor, v protoreflect.Value) error {
	switch f.Kind() {
	case protoreflect.StringKind:
		if problem := badText(v.String()); problem != "" {
			return fault.InvalidField(path, "%s", problem)
		}
	case protoreflect.MessageKind:
		return textsOf(path+".", v.Message())
	}
	return nil
}

func badText(text string) string {
	at := strings.IndexFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' })
	if at < 0 {
		return ""
	}
	return fmt.Sprintf("has a control character at byte %d; take it out", at+1)
}

// name refuses a text that identifies a thing when it could be mistaken for
// another: blanks around it, line breaks in it.
func name(path, text string, most int) error {
	switch {
	case text == "":
		return fault.InvalidField(path, "is empty")
	case len([]rune(text)) > most:
		return fault.InvalidField(path, "has %d characters; give at most %d", len([]rune(text)), most)
	case strings.TrimSpace(text) != text:
		return fault.InvalidField(path, "has blanks before or after it; take them off")
	case strings.ContainsFunc(text, unicode.IsControl):
		return fault.InvalidField(path, "has a line break or another control character in it; take it out")
	}
	return nil
}

// term refuses a word that the vocabulary does not have.
func term(path, list, code string) error {
	if err := vocabulary.Check(list, code); err != nil {
		return fault.InvalidField(path, "%s", err).WithReason(faultv1.Reason_REASON_UNKNOWN_TERM)
	}
	return nil
}

// among refuses a word that is not one of the known ones.
func among(path, what, word string, known []string) error {
	near := vocabulary.Nearest(word, known)
	hint := ""
	switch {
	case len(near) > 0:
		hint = "; the nearest is " + strings.Join(near, " or ")
	case len(known) > 0 && len(known) <= 12:
		hint = "; there are " + strings.Join(known, ", ")
	}
	return fault.InvalidField(path, "is %q, which is no %s%s", cutText(word), what, hint).WithReason(faultv1.Reason_REASON_UNKNOWN_TERM)
}

func cutText(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return s
}

// first gives the first error of a list of checks.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// problem is the text of a refusal of one field, without its path.
func problem(err error) string {
	var e *fault.Error
	if errors.As(err, &e) && len(e.Fields) > 0 {
		return e.Fields[0].Problem
	}
	return err.Error()
}
