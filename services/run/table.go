package run

// serviceTable says how each service is built.
func serviceTable() map[string]builder {
	return map[string]builder{}
}

// OperatorTokenPath is the file of the first operator's token in a data folder.
func OperatorTokenPath(data string) string { return "" }
