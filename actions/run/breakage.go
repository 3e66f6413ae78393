package run

// A breakage breaks promises on purpose. Only tests set it: they show that the simulation notices.
type breakage struct {
	sendsFirst  bool // commands are sent without their intent being journaled
	noSpacing   bool // the spacing of links is not kept
	trustsReads bool // a point that reads as its normal counts as given back, whatever was sent to it
	forgetsHand bool // what a person set is overwritten
	hasty       bool // one poll is enough for everything
	restless    bool // devices are switched without regard to their least times
	drains      bool // nothing is kept in a battery or a tank
}
