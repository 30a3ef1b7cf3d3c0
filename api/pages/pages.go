// Package pages serves the pages that people read: the day's work, one
// property, one owner's house. They are rendered on the server from embedded
// templates and work without JavaScript.
package pages

import (
	"log/slog"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/view"
)

// Options of Mount. All fields but SessionKey and SecureCookies are required.
type Options struct {
	Source        view.Source
	Logger        *slog.Logger
	Now           func() time.Time
	SessionKey    []byte // 32 bytes; random when empty
	SecureCookies bool
}

// Mount adds the pages to the router.
func Mount(r chi.Router, o Options) {}
