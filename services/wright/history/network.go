package history

// ShopInfo is a shop of the invented network.
type ShopInfo struct {
	Code, Name, Zone string
}

// CustomerInfo is a customer of the invented network.
type CustomerInfo struct {
	Code, Name string
	// Shops that serve it; the first does nearly all of its work.
	Shops []string
	// Reports: it sends meter readings every quarter. The others are silent:
	// the network hears from them only when something is broken.
	Reports bool

	// positions is how many machine positions it has: places where a spindle
	// turns.
	positions int
	// duty is spindle-on hours a day, in tenths, averaged over the week.
	duty int64
	// overhaul is the meter interval after which it has a spindle overhauled
	// before it fails, in tenths of an hour; 0 means never.
	overhaul int64
	// sloppy is the share of removals whose hours nobody wrote down.
	sloppy float64
	// models lists what it runs, by position in models; repeats weigh.
	models []int
}

// ModelInfo is a spindle model of the invented network.
type ModelInfo struct {
	Code, Maker, Designation string
	MaxSpeedRPM              float64
	Drive, Lubrication       string

	// lasting stretches every life of the model.
	lasting float64
}

// Shops of the invented network.
func Shops() []ShopInfo {
	return []ShopInfo{
		{"RIV", "Riverside", "Europe/Berlin"},
		{"HLT", "Halt Lane", "Europe/London"},
		{"QUA", "Quarry Bank", "America/Chicago"},
	}
}

// integralMotor is the drive whose winding lies around the shaft.
const integralMotor = "integral_motor"

// Models of the invented network.
func Models() []ModelInfo {
	return []ModelInfo{
		{"kestrel-24", "Aldermoor", "Kestrel 24", 24000, integralMotor, "oil_air", 1.1},
		{"kestrel-18", "Aldermoor", "Kestrel 18", 18000, integralMotor, "grease", 1.0},
		{"cv-8", "Corvane", "CV 8", 8000, "gear", "grease", 1.25},
		{"cv-12", "Corvane", "CV 12", 12000, "belt", "grease", 1.05},
		{"lark-15", "Brightholm", "Lark 15", 15000, "direct_coupled", "grease", 0.95},
		{"lark-20", "Brightholm", "Lark 20", 20000, "direct_coupled", "oil_air", 1.15},
		{"tarn-6", "Tarnwick", "Tarn 6", 6000, "gear", "oil_air", 1.4},
		{"tarn-30", "Tarnwick", "Tarn 30", 30000, integralMotor, "oil_air", 0.7},
	}
}

// Customers of the invented network, of very different size.
func Customers() []CustomerInfo {
	return []CustomerInfo{
		{"harrow-mills", "Harrow Mills", []string{"RIV"}, true, 330, 132, 0, 0.01, []int{0, 0, 1, 1, 2, 3, 4}},
		{"castlebeck-drives", "Castlebeck Drives", []string{"RIV", "HLT"}, true, 180, 118, 90_000, 0.02, []int{1, 3, 5, 5}},
		{"orrin-gearworks", "Orrin Gearworks", []string{"HLT"}, false, 140, 141, 0, 0.06, []int{2, 2, 6, 3}},
		{"tamsin-foundry", "Tamsin Foundry", []string{"QUA"}, true, 120, 96, 0, 0.03, []int{2, 6, 3}},
		{"lowfield-castings", "Lowfield Castings", []string{"QUA"}, false, 95, 104, 0, 0.08, []int{3, 4, 2}},
		{"pellan-axles", "Pellan Axles", []string{"HLT", "QUA"}, true, 80, 150, 110_000, 0.01, []int{0, 5, 1}},
		{"redmoor-hydraulics", "Redmoor Hydraulics", []string{"RIV"}, true, 60, 88, 0, 0.02, []int{4, 5, 0}},
		{"sallowbridge-tools", "Sallowbridge Tools", []string{"HLT"}, false, 45, 72, 0, 0.05, []int{7, 0, 1}},
		{"kirkwhin-turbines", "Kirkwhin Turbines", []string{"QUA"}, true, 36, 160, 80_000, 0, []int{0, 7, 5}},
		{"dunmere-optics", "Dunmere Optics", []string{"RIV"}, true, 22, 55, 0, 0, []int{7, 7, 5}},
		{"fernhollow-pumps", "Fernhollow Pumps", []string{"QUA"}, true, 14, 80, 0, 0.05, []int{3, 4}},
		{"brackenlea-moulds", "Brackenlea Moulds", []string{"HLT"}, true, 3, 64, 0, 0, []int{7, 0}},
		{"marlpit-instruments", "Marlpit Instruments", []string{"RIV"}, true, 2, 40, 0, 0, []int{7}},
		{"wyke-prototypes", "Wyke Prototypes", []string{"HLT"}, false, 2, 35, 0, 0, []int{1, 4}},
		{"thornlow-clocks", "Thornlow Clocks", []string{"QUA"}, true, 1, 30, 0, 0, []int{5}},
	}
}
