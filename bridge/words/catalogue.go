package words

import (
	"embed"
	"fmt"
	"io/fs"

	"github.com/goccy/go-yaml"
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

// catalogues hold the sentences by language and key. They are a part of the program, so a
// fault in them stops it.
var catalogues = func() map[Language]map[string]string {
	all := map[Language]map[string]string{}
	for _, l := range Languages {
		all[l.Language] = map[string]string{}
		names, _ := fs.Glob(files, string(l.Language)+"/*.yaml")
		for _, name := range names {
			text, _ := files.ReadFile(name)
			var part map[string]string
			if err := yaml.Unmarshal(text, &part); err != nil {
				panic(fmt.Sprintf("%s: %v", name, err))
			}
			for key, sentence := range part {
				if _, twice := all[l.Language][key]; twice {
					panic(fmt.Sprintf("%s: %s stands in two files", name, key))
				}
				all[l.Language][key] = sentence
			}
		}
	}
	return all
}()

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
func Sentences(l Language) map[string]string { return catalogues[l] }
