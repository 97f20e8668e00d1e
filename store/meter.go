package store

import "time"

// meter reports progress, a few times a second.
type meter struct {
	report func(Progress)
	now    Progress
	inside int64 // bytes of the content that is being read
	next   time.Time
}

const meterInterval = 100 * time.Millisecond

func newMeter(report func(Progress)) *meter { return &meter{report: report} }

// tick counts bytes of a content that is not at its end.
func (m *meter) tick(n int64) {
	m.inside += n
	m.show(false)
}

// add counts bytes in full, in place of what tick counted since the last add.
func (m *meter) add(n int64, member bool) {
	m.inside = 0
	m.now.Bytes += n
	if member {
		m.now.Members++
	}
	m.show(false)
}

func (m *meter) done() { m.show(true) }

func (m *meter) show(always bool) {
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
	m.report(p)
}
