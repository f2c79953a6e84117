package finding

// Catalogue lists every finding that liftbank makes. The order is that in which findings of one severity are shown: what brings others
// about comes first.
var Catalogue = []*Definition{
	&SeriesWired, &Reversed, &FeedLost, &FeedWeak, &FeedHigh, &BatteryFailed, &LinkResistive, &BatteryTired, &MotorStuck,
	&MotorDead, &MotorOverrun, &MotorHungry, &MotorStarved, &MotorDrop, &ParkedDrain, &BalanceNegative, &BankUndercharged,
	&BankLow, &ShareUneven, &Circulating, &FreezeRisk, &Hot, &ServiceDue, &SenseFault, &ClockUnsure,
}

// Lookup gives the definition of a name, or nil.
func Lookup(name string) *Definition {
	for _, d := range Catalogue {
		if d.Name == name {
			return d
		}
	}
	return nil
}
