package notify

import (
	"strings"
	"testing"
	"time"
)

// TestSignInLinkIsForgotten holds that a link to sign in goes out once and does
// not stay in the database for whoever reads the deliveries.
func TestSignInLinkIsForgotten(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	who := r.manager("Dana", "")
	const link = "https://watch.example/sign-in/only-once"
	if err := r.deliverer.SendSignInLink(t.Context(), who, link, 15*time.Minute); err != nil {
		t.Fatal(err)
	}
	waiting := r.notices()
	if len(waiting) != 1 || !strings.Contains(string(waiting[0].Content), link) {
		t.Fatalf("%+v", waiting)
	}
	if n := r.deliver(); n != 1 {
		t.Fatalf("%d delivered", n)
	}
	if done := r.notices(); len(done) != 1 || done[0].DoneAt.IsZero() || strings.Contains(string(done[0].Content), link) {
		t.Errorf("the link is still there: %+v", done)
	}
}
