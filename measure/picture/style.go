package picture

import (
	"fmt"
	"strings"
)

// ink is the set of colours of one colour scheme. The roles' colours are from Okabe and Ito, "Color
// Universal Design: How to make figures and presentations that are friendly to
// colorblind people" (2008), those that have a contrast of at least 3:1 with the paper
// (WCAG 2.2, success criterion 1.4.11): orange, sky blue and yellow have less than that on
// white, so there are two sets. A test computes the contrasts.
type ink struct {
	paper, text, soft, grid string
	roles                   [5]string // by Role
	band, span              string    // fill, see-through
}

var (
	light = ink{
		paper: "#ffffff", text: "#1c1e21", soft: "#595d63", grid: "#dcdee1",
		roles: [5]string{"#0072B2", "#000000", "#D55E00", "#009E73", "#000000"},
		band:  "#0072b216", span: "#8a8f981e",
	}
	dark = ink{
		paper: "#16181c", text: "#eceef0", soft: "#a4a9b0", grid: "#3b3f45",
		roles: [5]string{"#56B4E9", "#ffffff", "#E69F00", "#CC79A7", "#ffffff"},
		band:  "#56b4e938", span: "#9aa0aa40",
	}
)

// dashes are the dash patterns of the roles.
var dashes = [5]string{"", "6 4", "2 2.5", "9 3 2 3", "12 3 2 3 2 3"}

// Style is the style sheet of all pictures. A page has it once, and so has each picture's
// own file. Every selector has the class that pictures have.
func Style() string {
	var b strings.Builder
	b.WriteString(`.bbp{font:12px system-ui,sans-serif}.bbp text{stroke:none}` +
		`.bbp .t{font-weight:600;font-size:14px}.bbp .e{text-anchor:end}.bbp .c{text-anchor:middle}` +
		`.bbp .l{fill:none;stroke-width:1.5;stroke-linejoin:round}.bbp .st{fill:none;stroke-width:1.2}.bbp .g,.bbp .ax{fill:none}` +
		`.bbp .m{fill:none;stroke-dasharray:1 3;stroke-width:1.5;stroke-linecap:round}.bbp .b,.bbp .a,.bbp .we{stroke-width:.75}` +
		`.bbp .h{paint-order:stroke;stroke-width:4px;stroke-linejoin:round}`)
	for r, d := range dashes {
		if d != "" {
			fmt.Fprintf(&b, `.bbp .l.k%d{stroke-dasharray:%s}`, r, d)
		}
	}
	light.write(&b)
	// The dark set is for screens only; print uses the light one.
	b.WriteString(`@media screen and (prefers-color-scheme:dark){`)
	dark.write(&b)
	b.WriteString(`}`)
	return b.String()
}

func (k ink) write(b *strings.Builder) {
	fmt.Fprintf(b, `.bbp .p{fill:%s}.bbp text{fill:%s}.bbp .s{fill:%s}.bbp .g{stroke:%s}.bbp .ax{stroke:%s}.bbp .m{stroke:%s}.bbp .h{stroke:%s}.bbp .b{fill:%s;stroke:%s}.bbp .w{fill:%s}.bbp .we{stroke:%s}`,
		k.paper, k.text, k.soft, k.grid, k.soft, k.text, k.paper, k.band, k.roles[Measured], k.span, k.soft)
	for r, c := range k.roles {
		fmt.Fprintf(b, `.bbp .k%d{stroke:%s}.bbp .f%[1]d{fill:%[2]s}`, r, c)
	}
}
