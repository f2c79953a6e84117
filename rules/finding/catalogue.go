package finding

// Catalogue lists every finding that liftbank makes, in the order it shows them.
var Catalogue = []*Definition{&SeriesWired, &FeedLost, &BankLow, &BankUndercharged, &SenseFault}

// Lookup gives the definition of a name, or nil.
func Lookup(name string) *Definition {
	for _, d := range Catalogue {
		if d.Name == name {
			return d
		}
	}
	return nil
}
