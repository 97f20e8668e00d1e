package chunk

import (
	"io"
	"math"
	"math/rand/v2"
	"testing"
)

// distribution is the one that the package comment derives.
type distribution struct{ p, min, max float64 }

func (d distribution) mean() float64 {
	return d.min + (1-d.p)/d.p*(1-d.atMax())
}

func (d distribution) atMax() float64 { return math.Pow(1-d.p, d.max-d.min) }

func (d distribution) cumulative(x float64) float64 {
	return 1 - math.Pow(1-d.p, x-d.min+1)
}

// The lengths of chunks of random bytes against the formula, each share within
// four standard errors of its binomial distribution (about 1 in 16,000 to fail
// by chance, and the seed is fixed), the mean within 3 %.
func TestLengthDistribution(t *testing.T) {
	total := int64(128 << 20)
	if testing.Short() {
		total = 32 << 20
	}
	p := testParams(MinAverage)
	want := distribution{1 / float64(p.Average), float64(p.Min()), float64(p.Max())}
	points := []int{p.Min(), p.Average / 2, p.Average * 943 / 1000, p.Average * 2, p.Average * 3, p.Max() - 1}

	c, err := NewCutter(p)
	if err != nil {
		t.Fatal(err)
	}
	c.Reset(io.LimitReader(rand.NewChaCha8([32]byte{42}), total))
	buf := make([]byte, p.Max())
	var n, sum, atMax float64
	below := make([]float64, len(points))
	for {
		chunk, err := c.Next(buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if n++; len(chunk) == p.Max() {
			atMax++
		}
		sum += float64(len(chunk))
		for i, x := range points {
			if len(chunk) <= x {
				below[i]++
			}
		}
	}
	if int64(sum) != total {
		t.Fatalf("%v bytes of %v", sum, total)
	}

	if got := sum / n; math.Abs(got/want.mean()-1) > 0.03 {
		t.Errorf("mean %.0f, by the formula %.0f", got, want.mean())
	}
	share := func(what string, count, want float64) {
		tolerance := 4 * math.Sqrt(want*(1-want)/n)
		if got := count / n; math.Abs(got-want) > min(tolerance, 0.03) {
			t.Errorf("%s: a share of %.4f, by the formula %.4f", what, got, want)
		}
	}
	share("at the limit", atMax, want.atMax())
	for i, x := range points {
		share("up to a length", below[i], want.cumulative(float64(x)))
	}
	t.Logf("%v chunks, mean %.0f (%.0f), at the limit %.4f (%.4f)", n, sum/n, want.mean(), atMax/n, want.atMax())
}

// The figures in the package comment.
func TestFiguresOfTheComment(t *testing.T) {
	for average := MinAverage; average <= MaxAverage; average *= 2 {
		a := float64(average)
		d := distribution{1 / a, a / 4, 4 * a}
		if mean := d.mean() / a; math.Abs(mean-1.226) > 0.001 {
			t.Errorf("mean %.4f of the average", mean)
		}
		if median := d.cumulative(0.943 * a); math.Abs(median-0.5) > 0.001 {
			t.Errorf("a share of %.4f lies below the median", median)
		}
		if q := d.atMax(); math.Abs(q-0.0235) > 0.0001 {
			t.Errorf("a share of %.4f is cut at the limit", q)
		}
	}
}
