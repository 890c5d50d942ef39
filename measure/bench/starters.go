package bench

import (
	"embed"
	"strings"
)

//go:embed starters/*.toml
var starters embed.FS

// Starters returns the names of the commented plans from which a user can start.
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

// Starter returns the text of a starter plan; nil if there is none of this name.
func Starter(name string) []byte {
	text, err := starters.ReadFile("starters/" + name + ".toml")
	if err != nil {
		return nil
	}
	return text
}
