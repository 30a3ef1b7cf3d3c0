package notify

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/store/site"
)

// One call-out from its first alarm to its end: owner and manager are told at
// once, each once, and again when it is over, in the same thread.
func TestTellOnceAndCloseTheThread(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.register("heron-07")
	r.manager("Mara", "")
	r.wet("heron-07", "floor", site.Leak)
	r.deliver()
	r.deliver() // again: nothing
	if got := len(r.mails.all()); got != 2 {
		t.Fatalf("%d mails, want 2\n%s", got, r.summary())
	}
	r.dry("heron-07", "floor", site.Leak)
	r.settle(time.Minute)
	want := `alarm 3 0 mail mara@skerry.example sent
alarm 3 0 mail owner-heron-07@example.org sent
return 0 0 mail mara@skerry.example sent
return 0 0 mail owner-heron-07@example.org sent
`
	if diff := cmp.Diff(want, r.summary()); diff != "" {
		t.Error(diff)
	}
}
