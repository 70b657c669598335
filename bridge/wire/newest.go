package wire

import "slices"

// newest returns the messages for the last elements of a list, the oldest first, and
// how many earlier ones it leaves out. It stops at maxCount messages or maxBytes of
// JSON: brokers refuse more than 64 KiB, the embedded one by closing the connection.
func newest[E, M any](all []E, maxCount, maxBytes int, message func(E) M) (list []M, leftOut int) {
	list = []M{} // null is not an array
	bytes := 0
	for i, element := range slices.Backward(all) {
		m := message(element)
		bytes += len(Encode(m))
		if len(list) == maxCount || bytes > maxBytes {
			leftOut = i + 1
			break
		}
		list = append(list, m)
	}
	slices.Reverse(list)
	return list, leftOut
}
