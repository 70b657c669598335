package config

import (
	"github.com/goccy/go-yaml/ast"

	"bayfill/bridge/words"
)

// An alias stands for everything behind its anchor, and that may hold aliases: a few lines
// can stand for more than any computer holds. The decoder expands them all before it looks
// at a key, so they are counted before.

// maxNodes is how many values a file may stand for: those of two hundred carts many times.
const maxNodes = 200_000

// maxFile is the maximum size of a file in bytes.
const maxFile = 1 << 20

// checkSize refuses a document that stands for too much.
func checkSize(body ast.Node) error {
	c := &counter{anchors: map[string]int{}}
	ast.Walk(c, body)
	if c.nodes > maxNodes {
		return words.NewError("config.line", "line", c.line, "why", words.NewError("config.aliases", "alias", c.name, "most", maxNodes))
	}
	return nil
}

// counter counts the values that a node stands for. It stops counting above the limit.
type counter struct {
	nodes   int
	anchors map[string]int // values behind each anchor
	name    string         // of the alias that went beyond the limit
	line    int
}

// Visit counts one node; an anchor and an alias with all that they stand for.
func (c *counter) Visit(n ast.Node) ast.Visitor {
	switch n := n.(type) {
	case *ast.AnchorNode:
		inner := &counter{anchors: c.anchors, name: c.name, line: c.line}
		ast.Walk(inner, n.Value)
		c.anchors[n.Name.GetToken().Value] = inner.nodes
		c.name, c.line = inner.name, inner.line
		c.add(inner.nodes)
		return nil
	case *ast.AliasNode:
		before := c.nodes
		c.add(c.anchors[n.Value.GetToken().Value])
		if before <= maxNodes && c.nodes > maxNodes && c.line == 0 {
			c.name, c.line = n.Value.GetToken().Value, n.Value.GetToken().Position.Line
		}
		return nil
	}
	c.add(1)
	return c
}

func (c *counter) add(n int) { c.nodes = min(c.nodes+n, maxNodes+1) }
