package proof_test

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/proof"
)

func ExampleOfChain() {
	c, err := chain.Parse("voice.toml", []byte("schema = 1\n[[stage]]\nkind = \"highpass\"\ncorner_hz = 80\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	sheet, err := proof.OfChain(context.Background(), c, 48000, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, l := range sheet.Lines {
		if l.Reading == "corner_hz" {
			fmt.Printf("%s: %s, claimed %s: %s\n", l.Stage, l.Got, l.Limit, l.Verdict)
		}
	}
	fmt.Println(sheet.Passed(), sheet.Count(measure.Fail))
	// Output:
	// highpass: 80.00 Hz, claimed 79.6 to 80.4: pass
	// true 0
}
