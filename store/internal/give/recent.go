package give

import "sync"

// recent keeps what was used last, in two generations: when the younger one costs too much, it
// becomes the older one, and that one is forgotten.
type recent[K comparable, V any] struct {
	limit int // of the cost of a generation

	mu             sync.Mutex
	cost           int
	younger, older map[K]kept[V]
}

type kept[V any] struct {
	value V
	cost  int
}

// get gives what is kept, or else what make makes, and how much that costs.
func (r *recent[K, V]) get(key K, make func() (V, int, error)) (V, error) {
	if v, ok := r.kept(key); ok {
		return v, nil
	}
	v, cost, err := make()
	if err == nil {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.put(key, kept[V]{v, cost})
	}
	return v, err
}

func (r *recent[K, V]) kept(key K) (v V, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if k, ok := r.younger[key]; ok {
		return k.value, true
	}
	k, ok := r.older[key]
	if ok {
		r.put(key, k)
	}
	return k.value, ok
}

func (r *recent[K, V]) put(key K, k kept[V]) {
	if r.younger == nil || r.cost+k.cost > r.limit {
		r.older, r.younger, r.cost = r.younger, make(map[K]kept[V]), 0
	}
	if _, ok := r.younger[key]; !ok {
		r.cost += k.cost
	}
	r.younger[key] = k
}
