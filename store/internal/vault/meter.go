package vault

import "time"

// Progress says how far an operation is.
type Progress struct {
	Bytes   int64 // done
	Total   int64 // or 0 where it isn't known
	Members int64
	Done    bool // nothing more is to come
}

// Meter reports progress, a few times a second. It is for one goroutine.
type Meter struct {
	report func(Progress)
	now    Progress
	inside int64 // bytes of the content that is being read
	next   time.Time
}

const meterInterval = 100 * time.Millisecond

// NewMeter gives a meter that reports to report, or to nobody where that is nil.
func NewMeter(report func(Progress)) *Meter { return &Meter{report: report} }

// Expect adds to how many bytes there are in all.
func (m *Meter) Expect(n int64) { m.now.Total += n }

// Tick counts bytes of a content that is not at its end.
func (m *Meter) Tick(n int64) {
	m.inside += n
	m.show(false)
}

// Add counts bytes in full, in place of what Tick counted since the last Add.
func (m *Meter) Add(n int64, member bool) {
	m.inside = 0
	m.now.Bytes += n
	if member {
		m.now.Members++
	}
	m.show(false)
}

// Done reports what it has come to.
func (m *Meter) Done() { m.show(true) }

func (m *Meter) show(always bool) {
	if m.report == nil {
		return
	}
	t := time.Now()
	if !always && t.Before(m.next) {
		return
	}
	m.next = t.Add(meterInterval)
	p := m.now
	p.Bytes += m.inside
	p.Done = always
	m.report(p)
}
