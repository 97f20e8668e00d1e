package upgrade

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// Planned is a thing that would be done.
type Planned struct {
	Step    Step     `json:"step"`
	What    string   `json:"what"`
	Command []string `json:"command,omitempty"` // of the container engine
}

// Plan says what Upgrade would do. It refuses what Upgrade would refuse before it changes anything.
func (q *Request) Plan(ctx context.Context, now time.Time) ([]Planned, error) {
	r := q.Record(now)
	if err := q.check(ctx, &r); err != nil {
		return nil, err
	}
	program := q.Engine.Name()
	command := func(words ...string) []string { return append([]string{program}, words...) }
	var plan []Planned
	to, err := q.Engine.Image(ctx, r.Image)
	switch {
	case errors.Is(err, engine.ErrNotFound) && bareVersion.MatchString(q.To):
		return nil, &TagError{q.To}
	case errors.Is(err, engine.ErrNotFound):
		plan = append(plan, Planned{Making, "fetch the image", command("pull", "--quiet", "--", r.Image)})
		to = &engine.Image{Digest: "DIGEST"}
	case err != nil:
		return nil, err
	}
	r.Digest = to.Digest
	plan = append(plan,
		Planned{Making, "make the new container, and hold it against the old one", command(q.Words(&r, to)...)},
		Planned{Making, "read the volumes once while the service runs", nil},
		Planned{Stopping, "stop the service", command("stop", r.Old)},
		Planned{Stopping, "capture the volumes, and hold the capture", nil},
		Planned{Captured, "set the old container aside", command(engine.RenameWords(r.Old, r.Before)...)},
		Planned{Captured, "give the new one its name", command(engine.RenameWords("NEW-ID", r.Container)...)},
	)
	var given []Planned
	if policy := q.Container.RestartPolicy(); policy != "no" {
		given = []Planned{{Starting, "give the new one its restart policy, or make it once more with it", command("update", "--restart="+policy, "NEW-ID")}}
		plan = append(plan, Planned{Captured, "have the engine leave the old one down, or make it once more without its restart policy", command("update", "--restart=no", r.Old)})
	}
	healthy := ""
	if r.Healthy != "" {
		healthy = ", and ask it by " + r.Healthy
	}
	plan = append(plan,
		Planned{Starting, "start the new one", command("start", "NEW-ID")},
		Planned{Starting, fmt.Sprintf("watch it for %s%s", r.Watch, healthy), nil},
	)
	return append(append(plan, given...), Planned{Good, "release the capture", nil}), nil
}

// UndoPlan says what Undo would do.
func (r *Record) UndoPlan(program, name string, now time.Time) []Planned {
	u := undoRecord(r, name, now)
	if u.Up != "" {
		return []Planned{
			{Back, "stop the new version", shellWords(u.Down, u.Image)},
			{Back, "build the data of capture " + u.Capture + " beside each folder, and exchange it; what is there is kept", nil},
			{Returned, "start the old version", shellWords(u.Up, u.OldImage)},
			{Returned, fmt.Sprintf("watch it for %s", u.Watch), nil},
		}
	}
	command := func(words ...string) []string { return append([]string{program}, words...) }
	plan := []Planned{
		{Back, "stop the new version", command("stop", u.New)},
		{Back, "build the data of capture " + u.Capture + " beside each volume, and exchange it; what is there is kept", nil},
		{Returned, "set the new container aside", command(engine.RenameWords(u.New, u.Failed)...)},
		{Returned, "give the old one its name back", command(engine.RenameWords(u.Old, u.Container)...)},
	}
	return append(plan,
		Planned{Returned, "start the old one", command("start", u.Old)},
		Planned{Returned, fmt.Sprintf("watch it for %s", u.Watch), nil},
	)
}
