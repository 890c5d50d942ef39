package tomlfile

import "strings"

// explainSyntax describes the usual causes of a syntax error in plain words, from the
// parser's message and the line.
func (r *reader) explainSyntax(message, line string) Problem {
	p := Problem{Found: "not TOML: " + message}
	key, value, assigned := strings.Cut(line, "=")
	value = strings.TrimSpace(value)
	if i := strings.IndexByte(value, '#'); i >= 0 && !strings.ContainsAny(value, `"'`) {
		value = strings.TrimSpace(value[:i])
	}
	switch {
	case strings.Contains(message, "UTF-8"):
		p.Found, p.Hint = "a byte that is not UTF-8", "save the file as UTF-8"
	case strings.ContainsAny(value, "\u2212\u2013\u2014\u2010\u2011"):
		p.Found, p.Hint = "a dash that is not the minus sign of the keyboard", "type - (hyphen-minus)"
	case strings.ContainsAny(line, "“”„‟‘’‚«»"):
		p.Found, p.Hint = "typographic quotation marks", `use straight ones: "…"`
	case decimalComma(value):
		p.Found, p.Hint = "found "+value, "write the decimal point as a point: "+strings.Replace(value, ",", ".", 1)
	case strings.HasPrefix(strings.TrimSpace(line), "["):
		p.Accepted = r.headers(" or ") + " on a separate line"
	case !assigned && strings.Contains(key, ":"):
		p.Hint, p.Accepted = "write = between key and value", "key = value"
	case !assigned && strings.TrimSpace(line) != "":
		p.Accepted = "key = value, " + r.headers(", ") + ", or a # comment"
	case assigned && value == "":
		p.Found, p.Accepted = "no value", "key = value"
	case startsWithNumber(value):
		p.Found, p.Hint = "found "+value, "write the number alone, the unit is in the key"
	case IsBareKey(strings.SplitN(value+" ", " ", 2)[0]) && !isDigits(value[:1]):
		p.Found, p.Hint = "found "+value, `put words in quotes: "`+value+`"`
	case strings.HasPrefix(value, ".") || strings.HasSuffix(value, "."):
		p.Hint = "write a digit on both sides of the decimal point"
	}
	return p
}

// headers lists the headers of tables.
func (r *reader) headers(between string) string {
	headers := make([]string, len(r.lists))
	for i, name := range r.lists {
		headers[i] = "[[" + name + "]]"
	}
	return strings.Join(headers, between)
}

func decimalComma(s string) bool {
	whole, fraction, ok := strings.Cut(strings.TrimLeft(s, "+-"), ",")
	return ok && isDigits(whole) && isDigits(strings.TrimSpace(fraction))
}

func isDigits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }

func startsWithNumber(s string) bool {
	s = strings.TrimLeft(s, "+-")
	return s != "" && s[0] >= '0' && s[0] <= '9' && strings.Trim(s, "0123456789._") != ""
}
