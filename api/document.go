package api

import (
	_ "embed"
	"net/http"
	"sync"

	"github.com/goccy/go-yaml"
)

//go:embed openapi.yaml
var openAPIYAML []byte

// document is the OpenAPI document as it is served.
type document []byte

// mustDocument is worked out once: the document is the same for every server.
var mustDocument = sync.OnceValue(func() document {
	out, err := yaml.YAMLToJSON(openAPIYAML)
	if err != nil {
		panic("api: openapi.yaml: " + err.Error())
	}
	return out
})

func (s *server) openAPI(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "public, no-cache")
	sendTagged(w, r, http.StatusOK, "application/json", s.document)
}
