package bench

import (
	"embed"
	"strings"
)

//go:embed starters/*.toml
var starters embed.FS

// Starters are the names of the commented plans to begin with.
func Starters() (names []string) {
	entries, err := starters.ReadDir("starters")
	if err != nil {
		panic(err) // embedded
	}
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".toml"))
	}
	return names
}

// Starter is the text of such a plan, nil if there is none of the name.
func Starter(name string) []byte {
	text, err := starters.ReadFile("starters/" + name + ".toml")
	if err != nil {
		return nil
	}
	return text
}
