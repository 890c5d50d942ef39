package wave

// Chunk is a chunk that is carried from a file to another, byte for byte, such
// as bext (EBU Tech 3285), LIST, cue, iXML or axml.
type Chunk struct {
	ID    string // four characters
	Data  []byte
	After bool // it stood after the sound
}

// maxCarried bounds the memory that carried chunks may take.
const maxCarried = 16 << 20
