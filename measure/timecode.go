package measure

import (
	"fmt"
)

// TimeCode is a frame at a rate in Hz as hh:mm:ss.mmm, rounded down so that it
// never points past what it names. Without a rate it is the frame's number.
func TimeCode(frame int64, rate int) string {
	if rate <= 0 {
		return fmt.Sprintf("frame %d", frame)
	}
	ms := frame * 1000 / int64(rate)
	return fmt.Sprintf("%02d:%02d:%02d.%03d", ms/3_600_000, ms/60_000%60, ms/1000%60, ms%1000)
}
