package influxql

import (
	"math"
	"testing"
)

// Every name and value is quoted: none ends its place in the query.
func TestQueriesAreBuiltFromValues(t *testing.T) {
	seq := []Field{{Name: "seq", Type: Integer}}
	for _, c := range []struct {
		q    Query
		want string
	}{
		{Query{From: "m", Fields: seq, UntilNs: math.MaxInt64},
			`SELECT "seq"::integer AS f0 FROM "m" WHERE time >= 0 AND time < 9223372036854775806 GROUP BY *`},
		{Query{From: "m", Fields: seq, FromNs: math.MinInt64, UntilNs: 9, Of: Last, Where: []Condition{Is("cart", "a")}},
			`SELECT last("seq"::integer) AS f0 FROM "m" WHERE time >= -9223372036854775806 AND time < 9 AND "cart"::tag = 'a' GROUP BY *`},
		{Query{From: "m", Fields: []Field{{"kg", Float, Integer}, {"job", String, ""}}, UntilNs: 9, InTime: []string{"shop"}},
			`SELECT "kg"::integer AS f0, "kg"::float AS f1, "job"::string AS f2, "shop"::tag FROM "m" WHERE time >= 0 AND time < 9`},
		{Query{From: `m"; DROP`, Fields: []Field{{`x" FROM "y`, String, ""}}, UntilNs: 9, Where: []Condition{Is("cart", `a' OR 'x' = 'x`), Is("cart", `a\`), Is("cart", "a\nb")}},
			`SELECT "x\" FROM \"y"::string AS f0 FROM "m\"; DROP" WHERE time >= 0 AND time < 9 AND "cart"::tag = 'a\' OR \'x\' = \'x' AND "cart"::tag = 'a\\' AND "cart"::tag = 'a\nb' GROUP BY *`},
		{Query{From: "m", Fields: seq, UntilNs: 9, Where: []Condition{Holds("body", `x/ OR 1=1`), Holds("body", `.*`), Holds("body", `a\`)}},
			`SELECT "seq"::integer AS f0 FROM "m" WHERE time >= 0 AND time < 9 AND "body"::string =~ /x\x2f\x20OR\x201\x3d1/ AND "body"::string =~ /\x2e\x2a/ AND "body"::string =~ /a\x5c/ GROUP BY *`},
	} {
		if got := c.q.text(); got != c.want {
			t.Errorf("%s\nwant %s", got, c.want)
		}
	}
}
