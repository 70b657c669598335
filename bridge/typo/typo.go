package typo

// nearest is the candidate that the fewest edits lead to, if few enough.
func Nearest(word string, candidates []string) string {
	best, bestCost := "", max(2, len(word)/2)+1
	for _, c := range candidates {
		if cost := edits(word, c); cost < bestCost {
			best, bestCost = c, cost
		}
	}
	return best
}

// edits is Levenshtein's distance.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
