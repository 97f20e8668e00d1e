package serve

import (
	"bytes"
	"html/template"
	"net/http"

	"github.com/kistarchive/kist/cmd/kist/internal/page"
)

// costs shows what the captures cost, as they are now.
func (s *Server) costs(w *answer, r *http.Request) error {
	if s.o.Costs == nil {
		return errNoPage
	}
	report, err := s.o.Costs(r.Context())
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := page.Body(&b, report); err != nil {
		return err
	}
	return s.show(w, http.StatusOK, "costs", &frame{Title: "Costs", At: "costs", Body: template.HTML(b.String())}) // made by html/template
}
