package calibration

import (
	"bytes"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

const binaryHint = "give the text file that came with the microphone, not a drawing, a spreadsheet or an archive"

// decode turns the file's bytes into text and names their encoding. UTF-16 is
// known by its mark or, without one, by every other byte being zero; bytes
// that are no UTF-8 are read as Windows-1252, in which makers write ° and µ.
func decode(name string, raw []byte) (text, label string, _ *SyntaxError) {
	label = "UTF-8"
	var codec encoding.Encoding
	switch {
	case bytes.HasPrefix(raw, []byte("\xef\xbb\xbf")):
		raw = raw[3:]
	case bytes.HasPrefix(raw, []byte("\xff\xfe")):
		raw, label, codec = raw[2:], "UTF-16 LE", unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM)
	case bytes.HasPrefix(raw, []byte("\xfe\xff")):
		raw, label, codec = raw[2:], "UTF-16 BE", unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM)
	default:
		even, odd := zeros(raw)
		switch half := len(raw) / 2; {
		case half > 0 && even == 0 && 2*odd > half:
			label, codec = "UTF-16 LE", unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM)
		case half > 0 && odd == 0 && 2*even > half:
			label, codec = "UTF-16 BE", unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM)
		}
	}
	if codec == nil && !utf8.Valid(raw) {
		label, codec = "Windows-1252", charmap.Windows1252
	}
	text = string(raw)
	if codec != nil {
		decoded, err := codec.NewDecoder().Bytes(raw)
		if err != nil || strings.HasPrefix(label, "UTF-16") && (len(raw)%2 == 1 || bytes.ContainsRune(decoded, utf8.RuneError)) {
			return "", label, &SyntaxError{Name: name, Problem: "the file is damaged or not text (its " + label + " does not decode)", hint: binaryHint}
		}
		text = string(decoded)
	}
	text = strings.TrimRight(text, "\x1a\x00") // ends of file and padding of old systems
	if i := strings.IndexFunc(text, notText); i >= 0 {
		line := 1 + strings.Count(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text[:i]), "\n")
		end := min(len(text), i+16)
		return "", label, &SyntaxError{Name: name, Line: line, Text: text[i:end], Problem: "the file is binary, not text", hint: binaryHint}
	}
	return text, label, nil
}

func zeros(raw []byte) (even, odd int) {
	for i, b := range raw {
		if b == 0 {
			if i%2 == 0 {
				even++
			} else {
				odd++
			}
		}
	}
	return even, odd
}

// notText reports the control characters that no text file has. U+FFFD is what
// Windows-1252 makes of its five unused bytes.
func notText(r rune) bool {
	return r < ' ' && r != '\t' && r != '\n' && r != '\r' && r != '\f' && r != '\v' || r == 0x7f || r == utf8.RuneError
}

// split cuts text into lines ended by LF, CRLF or CR.
func split(text string) []string {
	text = strings.ReplaceAll(text, "\r\n", "\n")
	text = strings.ReplaceAll(text, "\r", "\n")
	return strings.Split(text, "\n")
}
