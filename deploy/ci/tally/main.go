package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
)

func main() {
	add := flag.String("add", "", "append the counts to this file")
	flag.Parse()
	if err := run(os.Stdin, os.Stdout, *add); err != nil {
		fmt.Fprintln(os.Stderr, "tally:", err)
		os.Exit(1)
	}
}

func run(in io.Reader, out io.Writer, add string) error {
	t := newTally(out)
	lines := bufio.NewReader(in)
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) > 0 {
			t.line(line)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	t.close()
	if add != "" {
		if err := appendCounts(add, t.counts); err != nil {
			return err
		}
	}
	return t.verdict()
}

func appendCounts(path string, c counts) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(f, c.passed, c.failed, c.skipped)
	return errors.Join(err, f.Close())
}
