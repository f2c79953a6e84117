package fit

import "reflect"

// same reports whether two configurations are the same, as reflect.DeepEqual does, but for functions:
// those that chips keep of their kind are no setting.
func same(a, b reflect.Value, depth int) bool {
	const deepest = 40 // a configuration is a tree
	if a.IsValid() != b.IsValid() || depth > deepest {
		return false
	}
	if !a.IsValid() {
		return true
	}
	if a.Type() != b.Type() {
		return false
	}
	switch a.Kind() {
	case reflect.Func:
		return a.IsNil() == b.IsNil()
	case reflect.Pointer, reflect.Interface:
		if a.IsNil() || b.IsNil() {
			return a.IsNil() == b.IsNil()
		}
		return a.Kind() == reflect.Pointer && a.Pointer() == b.Pointer() || same(a.Elem(), b.Elem(), depth+1)
	case reflect.Struct:
		for i := range a.NumField() {
			if !same(a.Field(i), b.Field(i), depth+1) {
				return false
			}
		}
		return true
	case reflect.Slice, reflect.Array:
		if a.Len() != b.Len() {
			return false
		}
		for i := range a.Len() {
			if !same(a.Index(i), b.Index(i), depth+1) {
				return false
			}
		}
		return true
	case reflect.Map:
		if a.Len() != b.Len() {
			return false
		}
		for _, k := range a.MapKeys() {
			if !same(a.MapIndex(k), b.MapIndex(k), depth+1) {
				return false
			}
		}
		return true
	}
	return a.Equal(b)
}

// Same reports whether two values of a configuration are the same.
func Same[T any](a, b *T) bool { return same(reflect.ValueOf(a).Elem(), reflect.ValueOf(b).Elem(), 0) }
