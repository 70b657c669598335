package words

import (
	"embed"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"sync"
)

// Language is a language that has a catalogue.
type Language string

const (
	English Language = "en"
	Spanish Language = "es"
)

// Languages lists all languages, with their names in themselves.
var Languages = []struct {
	Language Language
	Name     string
}{{English, "English"}, {Spanish, "Español"}}

//go:embed en es
var files embed.FS

// catalogues hold the sentences by language and key. Each is read when it is first needed: to
// read all of them would be most of the time in which the program starts.
var catalogues = func() map[Language]func() map[string]string {
	all := map[Language]func() map[string]string{}
	for _, l := range Languages {
		all[l.Language] = sync.OnceValue(func() map[string]string { return read(l.Language) })
	}
	return all
}()

// read reads the files of a language, in which a line is a sentence: KEY: "SENTENCE". That is
// YAML, read without its other rules in a twentieth of the time. The files are a part of the program,
// so a fault in them stops it.
func read(l Language) map[string]string {
	all := make(map[string]string, 3000)
	names, _ := fs.Glob(files, string(l)+"/*.yaml")
	for _, name := range names {
		text, _ := files.ReadFile(name)
		for line := range strings.Lines(string(text)) {
			line = strings.TrimSpace(line)
			if line == "" || line[0] == '#' {
				continue
			}
			key, quoted, _ := strings.Cut(line, ": ")
			sentence, err := strconv.Unquote(quoted)
			if _, twice := all[key]; err != nil || twice {
				panic(fmt.Sprintf("%s: %s: want KEY: \"SENTENCE\", each key once", name, line))
			}
			all[key] = sentence
		}
	}
	return all
}

// ParseLanguage reads en or es; an empty text means English.
func ParseLanguage(text string) (Language, error) {
	if text == "" {
		return English, nil
	}
	if _, known := catalogues[Language(text)]; !known {
		return "", NewError("usage.not_listed", "typed", fmt.Sprintf("%.40s", text), "choices", string(English+", "+Spanish))
	}
	return Language(text), nil
}

// Sentences returns all sentences of a language by their keys.
func Sentences(l Language) map[string]string {
	if of, known := catalogues[l]; known {
		return of()
	}
	return nil
}
