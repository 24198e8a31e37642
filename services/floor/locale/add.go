package locale

import (
	"slices"

	"github.com/leonelquinteros/gotext"
)

// Add makes one more language known, from the text of a language file, until
// forget is called. People choose it; no browser asks for it. It is for tests
// and must not be called while pages are served.
func Add(tag string, file []byte) (forget func()) {
	po := gotext.NewPo()
	po.Parse(file)
	languages = append(languages, &Language{Tag: tag, Name: po.GetDomain().Headers.Get("Language-Team"), po: po, defaults: English().defaults})
	return func() {
		languages = slices.DeleteFunc(languages, func(l *Language) bool { return l.Tag == tag })
	}
}
