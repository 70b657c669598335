package influxql_test

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/influxql"
)

// In a real InfluxDB 1.8 every value comes back as it was written, with its type, whatever
// the names of its field and its tags, and whatever other points hold; hostile texts stay
// texts.
func TestValuesComeBackFromInflux(t *testing.T) {
	server := bridgetest.StartInflux(t)
	const week = 7 * 24 * 3600 * int64(1e9) // the server's shard: another may have other types
	hostile := `a' OR 'x' = 'x" /\ ; DROP`
	server.Write(
		`m,shop=a,cart=b n=9007199254740993i,kg=5e+00,tiny=1.1e-309,minus=-0e+00,text="é <&> \"q\" \\",yes=true 1000`,
		`m,shop=a,cart=b shop="field",cart=7i,_time=3e+00,result="r",f0="zero",a\ b\"c="hostile" 1001`,
		`m,shop=a,cart=b,mark=x n=1i 1002`,
		`m,shop=a,cart=c n=2i 1003`,
		`m,shop=`+strings.NewReplacer(" ", `\ `, "=", `\=`).Replace(hostile)+` n=3i 1004`,
		fmt.Sprintf(`m,shop=a,cart=b n=5e+00,kg=5i,text=5e+00,yes="text" %d`, 10*week),
		fmt.Sprintf(`m,shop=a,cart=b n=5.5e+00,kg=9007199254740993i %d`, 10*week+1),
	)
	client := influxdb2.NewClient(server.URL, "")
	defer client.Close()
	reader := influxql.New(client, "bayfill/autogen", func(field string) bool { return field == "n" })
	schema, err := reader.Schema(t.Context(), "m")
	if err != nil {
		t.Fatal(err)
	}
	read := func(q influxql.Query) (rows []string) {
		t.Helper()
		q.From, q.UntilNs = "m", math.MaxInt64
		if q.Fields == nil {
			q.Fields = schema["m"]
		}
		if err := reader.Rows(t.Context(), q, func(r *influxql.Row) error {
			text := fmt.Sprint(r.AtNs)
			for _, name := range slices.Sorted(maps.Keys(r.Tags)) {
				text += fmt.Sprintf(",%s=%s", name, r.Tags[name])
			}
			for _, name := range slices.Sorted(maps.Keys(r.Fields)) {
				text += fmt.Sprintf(" %s=%T(%v)", name, r.Fields[name], r.Fields[name])
			}
			rows = append(rows, text)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		slices.Sort(rows)
		return rows
	}
	same := func(name string, got []string, want ...string) {
		t.Helper()
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s:\n%s\nwant\n%s", name, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	}
	own := []influxql.Condition{influxql.Is("shop", "a"), influxql.Is("cart", "b")}
	same("all of a cart", read(influxql.Query{Where: own}),
		`1000,cart=b,shop=a kg=float64(5) minus=float64(-0) n=int64(9007199254740993) text=string(é <&> "q" \) tiny=float64(1.1e-309) yes=bool(true)`,
		`1001,cart=b,shop=a _time=float64(3) a b"c=string(hostile) cart=int64(7) f0=string(zero) result=string(r) shop=string(field)`,
		`1002,cart=b,mark=x,shop=a n=int64(1)`,
		fmt.Sprintf(`%d,cart=b,shop=a kg=float64(5) n=int64(5) text=float64(5) yes=string(text)`, 10*week),
		fmt.Sprintf(`%d,cart=b,shop=a kg=int64(9007199254740993) n=float64(5.5)`, 10*week+1))
	n := schema.Fields("m", "n")
	same("a hostile shop", read(influxql.Query{Fields: n, Where: []influxql.Condition{influxql.Is("shop", hostile)}}), "1004,shop="+hostile+" n=int64(3)")
	same("no cart", read(influxql.Query{Fields: n, Where: []influxql.Condition{influxql.Is("cart", "")}}), "1004,shop="+hostile+" n=int64(3)")
	text := schema.Fields("m", "text")
	same("a text in a field", read(influxql.Query{Fields: text, Where: []influxql.Condition{influxql.Holds("text", `<&> "q" \`)}}), `1000,cart=b,shop=a text=string(é <&> "q" \)`)
	same("two texts", read(influxql.Query{Fields: text, Where: []influxql.Condition{influxql.Holds("text", `\`), influxql.Holds("text", ` OR "n" > 0 OR "text" =~ /`)}}))
	same("no such text", read(influxql.Query{Fields: text, Where: []influxql.Condition{influxql.Holds("text", `.*`)}}))
	same("the newest", read(influxql.Query{Fields: n, Where: own, Of: influxql.Last}), fmt.Sprintf("%d,cart=b,shop=a n=int64(5)", 10*week+1), "1002,cart=b,mark=x,shop=a n=int64(1)")
	same("how many", read(influxql.Query{Fields: n, Of: influxql.Count}),
		"0,cart=b,mark=x,shop=a n=int64(1)", "0,cart=b,shop=a n=int64(3)", "0,cart=c,shop=a n=int64(1)", "0,shop="+hostile+" n=int64(1)")
	same("in time", read(influxql.Query{Fields: n, Where: []influxql.Condition{influxql.Is("shop", "a")}, InTime: []string{"cart"}}),
		"1000,cart=b n=int64(9007199254740993)", "1002,cart=b n=int64(1)", "1003,cart=c n=int64(2)",
		fmt.Sprintf("%d,cart=b n=int64(5)", 10*week), fmt.Sprintf("%d,cart=b n=float64(5.5)", 10*week+1))

	var many []string
	for i := range 4321 { // several parts
		many = append(many, fmt.Sprintf("many,cart=%d n=%di %d", i%3, i, i))
	}
	server.Write(many...)
	if schema, err = reader.Schema(t.Context(), "many"); err != nil || len(schema) != 1 {
		t.Fatalf("%v, %v", schema, err)
	}
	sum, next := 0, int64(0)
	if err := reader.Rows(t.Context(), influxql.Query{From: "many", Fields: schema["many"], UntilNs: math.MaxInt64, InTime: []string{"cart"}}, func(r *influxql.Row) error {
		if r.AtNs != next || r.Fields["n"] != next {
			return fmt.Errorf("%+v at the place of %d", r, next)
		}
		sum, next = sum+1, next+1
		return nil
	}); err != nil || sum != len(many) {
		t.Errorf("%d rows of %d, %v", sum, len(many), err)
	}
	none := influxql.New(client, "bayfill/none", func(string) bool { return false })
	if err := none.Rows(t.Context(), influxql.Query{From: "m", Fields: n, UntilNs: 9}, nil); err == nil || err.Error() != "retention policy not found: none" {
		t.Errorf("no such policy: %v", err)
	}
	client = influxdb2.NewClient("http://"+bridgetest.FreePort(t), "")
	defer client.Close()
	if _, err := influxql.New(client, "bayfill", nil).Schema(t.Context(), ""); err == nil || strings.Contains(err.Error(), "FIELD") {
		t.Errorf("nobody listens: %v", err)
	}
}
