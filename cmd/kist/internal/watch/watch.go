package watch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/programs"
)

// Options say how to watch.
type Options struct {
	// For is how long; by then all must be well. Zero looks once.
	For time.Duration
	// Enough is after how long it is enough that all is well, 0 for For.
	Enough time.Duration
	// Healthy is a command for the shell whose exit status 0 says that the service is well,
	// "" for none. It is run again and again; it finds the container's name in KIST_CONTAINER.
	Healthy string
	// Folder is where the command is run, by default the one of this process.
	Folder string
	// Every is how long to wait between looks, by default a second.
	Every time.Duration
	// Lines is how many of the log are kept, by default 20.
	Lines int

	limit time.Duration // of the command, by default commandTimeout
}

// Verdict is what came of it.
type Verdict struct {
	Healthy bool
	Why     string   // not
	Log     []string // the last lines of what the container printed, where it is not healthy: masked, and the middle of long ones left out
}

// commandTimeout is how long a Healthy command may take.
const commandTimeout = 30 * time.Second

// Container watches a container that was started. It returns early where that can't turn out
// well any more. It fails where the engine does not answer, and when ctx ends.
func Container(ctx context.Context, e *engine.Engine, id string, o Options) (*Verdict, error) {
	c, err := e.Inspect(ctx, id)
	if err != nil {
		return nil, err
	}
	w := &watching{engine: e, id: id, first: c.State, options: o}
	why, err := until(ctx, o, w.look)
	if err != nil {
		return nil, err
	}
	if why == "" {
		return &Verdict{Healthy: true}, nil
	}
	lines := o.Lines
	if lines == 0 {
		lines = 20
	}
	v := &Verdict{Why: why}
	if v.Log, err = e.Logs(ctx, id, lines); err != nil {
		v.Log = []string{"(its log can't be read: " + err.Error() + ")"}
	}
	v.Log = engine.MaskLines(v.Log)
	for i, line := range v.Log {
		v.Log[i] = shorten(line)
	}
	return v, nil
}

// shorten leaves out the middle of a line that is longer than some lines of a screen.
func shorten(line string) string {
	const most = 400
	text := []rune(line)
	if len(text) <= most {
		return line
	}
	return string(text[:most/2]) + "…" + string(text[len(text)-most/2:])
}

// Command watches what is no container: by the command alone.
func Command(ctx context.Context, o Options) (*Verdict, error) {
	w := &watching{options: o}
	why, err := until(ctx, o, func(ctx context.Context) (string, bool, error) {
		why, err := w.ask(ctx, "")
		return why, false, err
	})
	if err != nil {
		return nil, err
	}
	return &Verdict{Healthy: why == "", Why: why}, nil
}

// Ask runs the command of options once, for a container of a name or for what is none. why is "" where it says that all
// is well.
func Ask(ctx context.Context, name string, o Options) (why string, err error) {
	return (&watching{options: o}).ask(ctx, name)
}

// until looks until the time is over, or a look says that it is hopeless. It gives why all is
// not well.
func until(ctx context.Context, o Options, look func(context.Context) (why string, hopeless bool, err error)) (string, error) {
	every := o.Every
	if every <= 0 {
		every = time.Second
	}
	began := time.Now()
	end := began.Add(o.For)
	for {
		why, hopeless, err := look(ctx)
		left := time.Until(end)
		enough := why == "" && o.Enough > 0 && time.Since(began) >= o.Enough
		if err != nil || hopeless || left <= 0 || enough {
			return why, err
		}
		select {
		case <-time.After(min(every, left)):
		case <-ctx.Done():
			return "", context.Cause(ctx)
		}
	}
}

type watching struct {
	engine  *engine.Engine
	id      string
	first   engine.State
	options Options
}

// look tells why all is not well now, and whether that is for good.
func (w *watching) look(ctx context.Context) (why string, hopeless bool, err error) {
	c, err := w.engine.Inspect(ctx, w.id)
	switch {
	case errors.Is(err, engine.ErrNotFound):
		return "it is gone", true, nil
	case err != nil:
		return "", false, err
	case !c.Running:
		return fmt.Sprintf("it ended with exit status %d", c.State.ExitCode), true, nil
	case c.State.Restarts != w.first.Restarts || c.State.Started != w.first.Started:
		return "it did not stay up: the engine had to restart it", true, nil
	case c.State.Status == "paused":
		return "it is paused", false, nil
	case c.State.Health == "unhealthy":
		return "its own health check says unhealthy", true, nil
	}
	if why, err = w.ask(ctx, c.Name); why != "" || err != nil {
		return why, false, err
	}
	if c.State.Health == "starting" {
		return fmt.Sprintf("its own health check had not passed after %s", w.options.For), false, nil
	}
	return "", false, nil
}

// ask runs the command.
func (w *watching) ask(ctx context.Context, name string) (why string, err error) {
	if w.options.Healthy == "" {
		return "", nil
	}
	limit := cmp.Or(w.options.limit, commandTimeout)
	limited, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	out := &tail{}
	err = programs.Line{
		Text: w.options.Healthy, Folder: w.options.Folder, Said: out, Env: []string{"KIST_CONTAINER=" + name}, Leaves: true,
	}.Run(limited)
	var exit interface {
		error
		ExitCode() int
	}
	switch {
	case ctx.Err() != nil:
		return "", context.Cause(ctx)
	case limited.Err() != nil:
		return fmt.Sprintf("%q did not end within %s", w.options.Healthy, limit), nil
	case errors.As(err, &exit):
		return strings.TrimSuffix(fmt.Sprintf("%q ended with exit status %d: %s", w.options.Healthy, exit.ExitCode(), last(string(out.kept))), ": "), nil
	case err != nil:
		return "", fmt.Errorf("it could not be asked: %w", err)
	}
	return "", nil
}

// tail keeps the last bytes that are written to it: a command may print without end.
type tail struct{ kept []byte }

const maxTail = 4 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.kept = append(t.kept, p[max(0, len(p)-maxTail):]...)
	t.kept = append(t.kept[:0], t.kept[max(0, len(t.kept)-maxTail):]...)
	return len(p), nil
}

// last gives the last line of a text, cut at some length.
func last(text string) string {
	const most = 200
	text = strings.TrimSpace(text)
	text = text[strings.LastIndexByte(text, '\n')+1:]
	return text[:min(len(text), most)]
}
