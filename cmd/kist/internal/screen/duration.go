package screen

import "time"

const day = 24 * time.Hour

// DurationText gives a time span for people, in the largest unit in which it is whole.
func DurationText(d time.Duration) string {
	switch {
	case d >= day && d%day == 0:
		return Count(int64(d/day), "day", "days")
	case d >= time.Hour && d%time.Hour == 0:
		return Count(int64(d/time.Hour), "hour", "hours")
	case d >= time.Minute && d%time.Minute == 0:
		return Count(int64(d/time.Minute), "minute", "minutes")
	}
	return d.Round(time.Second).String()
}
