package chain

// A table describes a stage kind or a kind of band: each key once, with what
// it is called, means, takes and defaults to, and where it goes. It drives
// parsing, checking, Explain, Starter and Reference.
type table struct {
	name    string
	summary string
	fields  []field
	bands   *table // of an equaliser
	fresh   func() any
	settle  func(settings any) any // from the pointer that fields fill to the value in Stage.Settings
	addBand func(settings, band any)
}

// field is one key.
type field struct {
	key, unit string
	help      string
	source    string
	required  bool
	kind      fieldKind
	low, high float64  // of numbers
	step      int      // of integers: a multiple of it
	words     []string // of choices
	preset    any      // float64, int, bool or string; nil if required or without one
	starter   any      // what the starter chain says instead of a missing default
	nyquist   bool     // must lie below the Nyquist frequency, unless it is 0
	set       func(settings any, v any)
	get       func(settings any) any // from settings by value; not for words
}

type fieldKind int

const (
	number fieldKind = iota
	integer
	boolean
	choice
	channelList
)

// of makes a field from a typed accessor.
func of[S, V any](f field, at func(*S) *V) field {
	f.set = func(settings, v any) { *at(settings.(*S)) = v.(V) }
	f.get = func(settings any) any { s := settings.(S); return *at(&s) }
	return f
}

// ofWord makes a field whose words stand for the values of a type.
func ofWord[S any, V ~int](f field, words []string, values []V, at func(*S) *V) field {
	f.kind, f.words = choice, words
	f.set = func(settings, v any) {
		for i, w := range words {
			if w == v.(string) {
				*at(settings.(*S)) = values[i]
			}
		}
	}
	return f
}

func (t *table) field(key string) *field {
	for i := range t.fields {
		if t.fields[i].key == key {
			return &t.fields[i]
		}
	}
	return nil
}

func (t *table) keys() []string {
	var keys []string
	for _, f := range t.fields {
		keys = append(keys, f.key)
	}
	return keys
}
