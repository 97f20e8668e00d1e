package rotation_test

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/store/rotation"
)

// Source: the rule of ISO 8601 (weeks from Monday, the first has the year's first
// Thursday), from memory; TestPeriodsOfGNUDate compares them with a second program.
func TestWeeksOfISO8601(t *testing.T) {
	for day, want := range map[string]string{
		"2018-12-30": "2018-W52",
		"2018-12-31": "2019-W01",
		"2019-01-01": "2019-W01",
		"2020-12-27": "2020-W52",
		"2020-12-28": "2020-W53",
		"2020-12-31": "2020-W53",
		"2021-01-01": "2020-W53",
		"2021-01-03": "2020-W53",
		"2021-01-04": "2021-W01",
		"2016-01-03": "2015-W53",
		"2017-01-01": "2016-W52",
		"2022-01-02": "2021-W52",
		"2024-02-29": "2024-W09",
		"2024-12-29": "2024-W52",
		"2024-12-30": "2025-W01",
		"2026-12-31": "2026-W53",
		"2027-01-03": "2026-W53",
		"2027-01-04": "2027-W01",
	} {
		d := plan(t, taken(t, day), rotation.Rules{Weeks: 1}, later, nil)[0]
		if got := d.Why[len(d.Why)-1].Period; got != want {
			t.Errorf("%s is in %s, not in %s", day, got, want)
		}
	}
}

// Days of unusual length, at their very ends. The offsets and transitions are
// those of the IANA time zone database; from memory, and in the embedded copy.
func TestUnusualDays(t *testing.T) {
	for _, test := range []struct{ name, zone, taken, want string }{
		{"23 hours, begins", "Europe/Berlin", "2026-03-28T23:00:00Z", "2026-03-29 2026-W13 2026-03 2026"},
		{"23 hours, before the gap", "Europe/Berlin", "2026-03-29T00:59:59Z", "2026-03-29 2026-W13 2026-03 2026"},
		{"23 hours, ends", "Europe/Berlin", "2026-03-29T21:59:59Z", "2026-03-29 2026-W13 2026-03 2026"},
		{"23 hours, after", "Europe/Berlin", "2026-03-29T22:00:00Z", "2026-03-30 2026-W14 2026-03 2026"},
		{"25 hours, before", "Europe/Berlin", "2026-10-24T21:59:59Z", "2026-10-24 2026-W43 2026-10 2026"},
		{"25 hours, begins", "Europe/Berlin", "2026-10-24T22:00:00Z", "2026-10-25 2026-W43 2026-10 2026"},
		{"25 hours, ends", "Europe/Berlin", "2026-10-25T22:59:59Z", "2026-10-25 2026-W43 2026-10 2026"},
		{"25 hours, after", "Europe/Berlin", "2026-10-25T23:00:00Z", "2026-10-26 2026-W44 2026-10 2026"},
		{"23 hours, begins", "America/New_York", "2026-03-08T05:00:00Z", "2026-03-08 2026-W10 2026-03 2026"},
		{"23 hours, ends", "America/New_York", "2026-03-09T03:59:59Z", "2026-03-08 2026-W10 2026-03 2026"},
		{"25 hours, begins", "America/New_York", "2026-11-01T04:00:00Z", "2026-11-01 2026-W44 2026-11 2026"},
		{"25 hours, ends", "America/New_York", "2026-11-02T04:59:59Z", "2026-11-01 2026-W44 2026-11 2026"},
		{"25 hours, after", "America/New_York", "2026-11-02T05:00:00Z", "2026-11-02 2026-W45 2026-11 2026"},
		{"no midnight, before", "America/Sao_Paulo", "2018-11-04T02:59:59Z", "2018-11-03 2018-W44 2018-11 2018"},
		{"no midnight, at one", "America/Sao_Paulo", "2018-11-04T03:00:00Z", "2018-11-04 2018-W44 2018-11 2018"},
		{"midnight an hour later, before", "America/Sao_Paulo", "2018-02-18T02:59:59Z", "2018-02-17 2018-W07 2018-02 2018"},
		{"midnight an hour later, at it", "America/Sao_Paulo", "2018-02-18T03:00:00Z", "2018-02-18 2018-W07 2018-02 2018"},
		{"no midnight, before", "Africa/Cairo", "2024-04-25T21:59:59Z", "2024-04-25 2024-W17 2024-04 2024"},
		{"no midnight, at one", "Africa/Cairo", "2024-04-25T22:00:00Z", "2024-04-26 2024-W17 2024-04 2024"},
		{"before the day left out", "Pacific/Apia", "2011-12-30T09:59:59Z", "2011-12-29 2011-W52 2011-12 2011"},
		{"after the day left out", "Pacific/Apia", "2011-12-30T10:00:00Z", "2011-12-31 2011-W52 2011-12 2011"},
		{"another year than in UTC", "Pacific/Auckland", "2026-12-31T11:00:00Z", "2027-01-01 2026-W53 2027-01 2027"},
		{"leap day", "UTC", "2024-02-29T23:59:59Z", "2024-02-29 2024-W09 2024-02 2024"},
		{"leap day of a century", "UTC", "2000-02-29T00:00:00Z", "2000-02-29 2000-W09 2000-02 2000"},
		{"after a leap day", "UTC", "2024-03-01T00:00:00Z", "2024-03-01 2024-W09 2024-03 2024"},
	} {
		t.Run(test.zone+" "+test.name, func(t *testing.T) {
			if got := periods(t, zone(t, test.zone), at(t, test.taken))[0]; got != test.want {
				t.Errorf("%s is in %s, not in %s", test.taken, got, test.want)
			}
		})
	}
}

func TestUnusualDaysRotate(t *testing.T) {
	for _, test := range []struct {
		name, zone string
		taken      []string
		rules      rotation.Rules
		stay       string
	}{
		{"the hour that comes twice", "Europe/Berlin",
			[]string{"2026-10-25T02:30:00+02:00", "2026-10-25T02:15:00+01:00", "2026-10-24T12:00:00+02:00"},
			rotation.Rules{Days: 2}, "2026-10-25T02:15:00+01:00 2026-10-24T12:00:00+02:00"},
		{"both ends of 25 hours", "Europe/Berlin",
			[]string{"2026-10-25T00:00:00+02:00", "2026-10-25T23:59:59+01:00"},
			rotation.Rules{Days: 2}, "2026-10-25T23:59:59+01:00"},
		{"both ends of 23 hours, and the next day", "America/New_York",
			[]string{"2026-03-08T00:00:00-05:00", "2026-03-08T23:59:59-04:00", "2026-03-09T00:00:00-04:00"},
			rotation.Rules{Days: 2}, "2026-03-08T23:59:59-04:00 2026-03-09T00:00:00-04:00"},
		{"one second apart, around a midnight that is not", "America/Sao_Paulo",
			[]string{"2018-11-03T23:59:59-03:00", "2018-11-04T01:00:00-02:00"},
			rotation.Rules{Days: 2}, "2018-11-03T23:59:59-03:00 2018-11-04T01:00:00-02:00"},
		{"the day left out takes no place", "Pacific/Apia",
			[]string{"2011-12-28T12:00:00-10:00", "2011-12-29T12:00:00-10:00", "2011-12-31T12:00:00+14:00"},
			rotation.Rules{Days: 2}, "2011-12-29T12:00:00-10:00 2011-12-31T12:00:00+14:00"},
		// At 00:01 on Sunday it became 23:01 on Saturday again, until 2011.
		{"a day that comes back", "America/St_Johns",
			[]string{"2010-11-06T12:00:00-02:30", "2010-11-07T00:00:30-02:30", "2010-11-06T23:30:00-03:30", "2010-11-07T12:00:00-03:30"},
			rotation.Rules{Days: 9}, "2010-11-06T23:30:00-03:30 2010-11-07T12:00:00-03:30"},
		{"days rank by their newest capture", "America/St_Johns",
			[]string{"2010-11-07T00:00:30-02:30", "2010-11-06T23:30:00-03:30"},
			rotation.Rules{Days: 1}, "2010-11-06T23:30:00-03:30"},
		{"the calendar is the location's, not that of Taken", "Asia/Tokyo",
			[]string{"2026-03-14T14:00:00Z", "2026-03-14T16:00:00Z"},
			rotation.Rules{Days: 2}, "2026-03-14T14:00:00Z 2026-03-14T16:00:00Z"},
		{"nil is UTC", "",
			[]string{"2026-03-14T22:00:00+09:00", "2026-03-15T08:00:00+09:00"},
			rotation.Rules{Days: 2}, "2026-03-15T08:00:00+09:00"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var loc *time.Location
			if test.zone != "" {
				loc = zone(t, test.zone)
			}
			if got := ids(kept(plan(t, taken(t, test.taken...), test.rules, later, loc))); got != test.stay {
				t.Errorf("%s stay, not %s", got, test.stay)
			}
		})
	}
}
