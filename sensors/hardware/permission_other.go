//go:build !unix

package hardware

func userName() string { return "of this program" }

func permissionAdvice(string) string { return "give the user access to the device" }
