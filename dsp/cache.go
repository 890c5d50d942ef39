package dsp

import "sync"

// kept is a cache of results that are costly to compute and depend on nothing but
// their key, so that stages with equal settings are cheap to build again. It is safe
// for concurrent use.
type kept[K comparable, V any] struct {
	mu     sync.Mutex
	most   int // results; when full, all are dropped
	values map[K]V
}

func newKept[K comparable, V any](most int) *kept[K, V] {
	return &kept[K, V]{most: most, values: map[K]V{}}
}

// of returns the result for a key, and computes it if it is not in the cache.
func (k *kept[K, V]) of(key K, compute func() V) V {
	k.mu.Lock()
	value, held := k.values[key]
	k.mu.Unlock()
	if held {
		return value
	}
	value = compute()
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.values) >= k.most {
		clear(k.values)
	}
	k.values[key] = value
	return value
}
