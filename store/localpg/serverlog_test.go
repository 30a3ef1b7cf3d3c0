package localpg

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
)

// TestServerLogTellsWhatMatters: the service's log has what concerns the database as a
// whole, not each refused statement.
func TestServerLogTellsWhatMatters(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	l := newServerLog(slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{Level: slog.LevelInfo})))
	for _, piece := range []string{
		"LOG:  listening on", " IPv4\nERROR:  duplicate key\nDETAIL:  Key (n)=(1)\nSTATEMENT:  INSERT\n\tINTO kept\n",
		"FATAL:  the database system is starting up\n", "FATAL:  terminating connection due to administrator command\n",
		"WARNING:  page verification failed\nHINT:  look\n", "PANIC:  disk\n", "unfinished",
	} {
		if n, err := l.Write([]byte(piece)); n != len(piece) || err != nil {
			t.Fatalf("wrote %d of %d: %v", n, len(piece), err)
		}
	}
	for word, want := range map[string]bool{
		"listening on IPv4": false, "duplicate": false, "INSERT": false, "INTO kept": false, "starting up": false, "terminating": false,
		"page verification": true, "look": true, "disk": true, "unfinished": false,
	} {
		if strings.Contains(out.String(), word) != want {
			t.Errorf("%q in the log: %t, want %t", word, !want, want)
		}
	}
	if !strings.Contains(l.tail(), "PANIC:  disk") || !strings.Contains(l.tail(), "duplicate key") {
		t.Errorf("for error messages is kept: %s", l.tail())
	}
}
