package fetch

import "container/list"

// lru keeps the values used last, up to a total cost.
type lru[K comparable, V comparable] struct {
	limit, cost int
	order       *list.List // of *entry, the one used last in front
	entries     map[K]*list.Element
	dropped     func(V) // called with each value that is no longer kept; may be nil
}

type entry[K, V any] struct {
	key   K
	value V
	cost  int
}

func newLRU[K, V comparable](limit int) *lru[K, V] {
	return &lru[K, V]{limit: limit, order: list.New(), entries: make(map[K]*list.Element)}
}

func (l *lru[K, V]) get(k K) (V, bool) {
	e, ok := l.entries[k]
	if !ok {
		var none V
		return none, false
	}
	l.order.MoveToFront(e)
	return e.Value.(*entry[K, V]).value, true
}

func (l *lru[K, V]) put(k K, v V, cost int) {
	if old, ok := l.entries[k]; ok {
		l.drop(old)
	}
	l.entries[k] = l.order.PushFront(&entry[K, V]{k, v, cost})
	l.cost += cost
	for l.cost > l.limit && l.order.Len() > 1 {
		l.drop(l.order.Back())
	}
}

// remove forgets k if its value is still v.
func (l *lru[K, V]) remove(k K, v V) {
	if e, ok := l.entries[k]; ok && e.Value.(*entry[K, V]).value == v {
		l.drop(e)
	}
}

func (l *lru[K, V]) drop(e *list.Element) {
	old := l.order.Remove(e).(*entry[K, V])
	delete(l.entries, old.key)
	l.cost -= old.cost
	if l.dropped != nil {
		l.dropped(old.value)
	}
}
