package proof

import (
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

func TestMain(m *testing.M) { dsptest.Main(m) }
