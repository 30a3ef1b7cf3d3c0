package localpg

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

// tailLines is how many of the server's last lines are kept for error messages.
const tailLines = 12

// serverLog takes what the server prints, line by line.
type serverLog struct {
	log *slog.Logger

	mu    sync.Mutex
	rest  []byte
	last  []string
	level slog.Level // of the latest message, for its further lines
}

func newServerLog(log *slog.Logger) *serverLog { return &serverLog{log: log} }

// Write logs each complete line and keeps the rest.
func (l *serverLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.rest = append(l.rest, p...)
	for {
		line, rest, found := bytes.Cut(l.rest, []byte("\n"))
		if !found {
			return len(p), nil
		}
		l.take(string(line))
		l.rest = rest
	}
}

func (l *serverLog) take(line string) {
	l.last = append(l.last, strings.TrimSpace(line))
	if len(l.last) > tailLines {
		l.last = l.last[1:]
	}
	if level, ok := severity(line); ok {
		l.level = level
	}
	l.log.Log(context.Background(), l.level, "postgres: "+strings.TrimSpace(line))
}

// severity translates the server's own levels. What a statement did wrong comes back
// to whoever sent it, and our own knocking while it starts and our own stopping are
// nobody's business; a warning may be a page that fails its checksum.
func severity(line string) (slog.Level, bool) {
	for _, usual := range []string{"the database system is starting up", "due to administrator command"} {
		if strings.HasSuffix(line, usual) {
			return slog.LevelDebug, true
		}
	}
	word, _, _ := strings.Cut(line, ":")
	switch word {
	case "LOG", "NOTICE", "INFO", "ERROR":
		return slog.LevelDebug, true
	case "WARNING", "FATAL":
		return slog.LevelWarn, true
	case "PANIC":
		return slog.LevelError, true
	}
	return 0, false
}

func (l *serverLog) tail() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.last, "; ")
}
