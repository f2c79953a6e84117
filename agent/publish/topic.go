package publish

// topic returns <prefix>/v1/<unit>/<leaf>.
func (o Options) topic(leaf string) string {
	return o.Prefix + "/v1/" + o.Unit + "/" + leaf
}
