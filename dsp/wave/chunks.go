package wave

import (
	"encoding/binary"
	"fmt"
)

// Chunk is a chunk that is carried from a file to another, byte for byte, such
// as bext (EBU Tech 3285), LIST, cue, smpl, iXML or axml.
type Chunk struct {
	ID    string // four printable characters
	Data  []byte
	After bool // it follows the sound
}

// maxCarried bounds the memory that carried chunks may take.
const maxCarried = 16 << 20

// isChunkID reports whether a name is a RIFF "four-character code": printable
// ASCII.
func isChunkID(name string) bool {
	for i := range len(name) {
		if name[i] < ' ' || name[i] > '~' {
			return false
		}
	}
	return len(name) == 4
}

// ownChunk names the chunks that the writer states itself.
func ownChunk(id string) bool {
	switch id {
	case "RIFF", "RF64", "BW64", "ds64", "fmt ", "fact", "data":
		return true
	}
	return false
}

// stale names chunks that are not carried: empty space, and what describes the
// samples themselves and would be wrong of processed ones (peaks, and the
// peak envelope of EBU Tech 3285 Supplement 3).
func stale(id string) bool {
	switch id {
	case "JUNK", "junk", "FLLR", "PAD ", "PEAK", "levl":
		return true
	}
	return false
}

// carry keeps a chunk for Chunks.
func (p *parser) carry(name string, body, there, declared int64) error {
	switch {
	case ownChunk(name) || stale(name):
		return nil
	case !isChunkID(name):
		p.warn(body-8, fmt.Sprintf("a chunk with the name %q", name), "passed over")
		return nil
	case there < declared:
		p.warn(body-8, fmt.Sprintf("chunk %q states %d bytes, the file holds %d of them", name, declared, there), "not carried over")
		return nil
	case p.carried+there > maxCarried:
		p.warn(body-8, fmt.Sprintf("chunk %q of %d bytes", name, there), fmt.Sprintf("not carried over: more than %d MiB in all", maxCarried>>20))
		return nil
	}
	data, err := p.bytesAt(body, there)
	if err != nil {
		return err
	}
	p.carried += there
	p.chunks = append(p.chunks, Chunk{ID: name, Data: data, After: p.haveData})
	return nil
}

// check returns an error for a chunk that cannot be written.
func (c Chunk) check() error {
	switch {
	case !isChunkID(c.ID):
		return &FormatError{Found: fmt.Sprintf("a chunk with the name %q to carry over", c.ID), Accepted: "four printable characters"}
	case ownChunk(c.ID):
		return &FormatError{Found: fmt.Sprintf("chunk %q to carry over", c.ID), Accepted: "chunks that the writer does not state itself"}
	case len(c.Data) > maxCarried:
		return &FormatError{Found: fmt.Sprintf("chunk %q of %d bytes to carry over", c.ID, len(c.Data)), Accepted: fmt.Sprintf("up to %d MiB", maxCarried>>20)}
	}
	return nil
}

// appendChunk appends a chunk and the byte that makes its length even.
func appendChunk(b []byte, id string, data []byte) []byte {
	b = append(b, id...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 != 0 {
		b = append(b, 0)
	}
	return b
}
