package alerting

import "testing"

// Whoever adds a cause adds its Spanish: people are written to in both languages.
func TestAdviceIsCompleteInBothLanguages(t *testing.T) {
	t.Parallel()
	if len(adviceTable) != len(adviceSpanish) {
		t.Errorf("%d causes in English, %d in Spanish", len(adviceTable), len(adviceSpanish))
	}
	for i, en := range adviceTable {
		es, ok := Advice{}, false
		for _, a := range adviceSpanish {
			if a.Cause == en.Cause {
				es, ok = a, true
			}
		}
		switch {
		case !ok:
			t.Errorf("row %d: %s has no Spanish in causes_es.go", i, en.Cause)
		case es.Means == "" || es.CheckFirst == "" || es.Bring == "" || es.Caution != CautionIn("es", en.Caution) || es.Means == en.Means:
			t.Errorf("%s: %+v does not say what %+v says", en.Cause, es, en)
		}
	}
}
