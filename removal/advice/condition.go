package advice

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/vm"
)

// Limits of a condition. It holds no loop and no call but abs, so its length
// bounds its time and memory.
const (
	maxConditionBytes = 1000
	maxConditionNodes = 300
)

// prefix of the values of the thinnest site.
const thinnest = "thinnest"

// siteNames maps the names of a site's values to their source.
func siteNames() map[string]func(*SiteValues) float64 {
	return map[string]func(*SiteValues) float64{
		"thickness_um":     func(s *SiteValues) float64 { return s.ThicknessUM },
		"thickness_low_um": func(s *SiteValues) float64 { return s.ThicknessLowUM },
		"sd_um":            func(s *SiteValues) float64 { return s.SDUM },
		"rate_um_min":      func(s *SiteValues) float64 { return s.RateUMMin },
		"to_target_s":      func(s *SiteValues) float64 { return s.ToTargetS },
		"edge_nm":          func(s *SiteValues) float64 { return s.EdgeNM },
		"since_good_s":     func(s *SiteValues) float64 { return s.SinceGoodS },
	}
}

// Names lists the names a condition may use, sorted, with visibility_<nm> for
// the whole family.
func Names() []string {
	names := []string{"contact", "visibility_<nm>", thinnest + ".visibility_<nm>"}
	for name := range siteNames() {
		names = append(names, name, thinnest+"."+name)
	}
	slices.Sort(names)
	return names
}

// condition is a compiled expression.
type condition struct {
	program *vm.Program
	machine vm.VM
	inputs  []input
	values  map[string]any
	perSite bool // uses values of the step's own site
}

// input is one value that a condition reads.
type input struct {
	name string
	from func(*Values) any
}

// compile checks and compiles a condition.
func compile(source string) (*condition, *RuleError) {
	if len(source) > maxConditionBytes {
		return nil, &RuleError{Message: fmt.Sprintf("condition of %d bytes: at most %d are allowed", len(source), maxConditionBytes)}
	}
	known := inputsFor(source)
	env := make(map[string]any, len(known))
	for name, from := range known {
		env[name] = from(&Values{})
	}
	check := &checker{known: known, used: map[string]bool{}}
	program, err := expr.Compile(source,
		expr.Env(env),
		expr.AsBool(),
		expr.DisableAllBuiltins(),
		expr.EnableBuiltin("abs"),
		expr.MaxNodes(maxConditionNodes),
		expr.Patch(check),
	)
	if check.fault != "" {
		line, column := position(source, check.at.From)
		return nil, &RuleError{Line: line, Column: column, Message: check.fault}
	}
	if err != nil {
		var e *file.Error
		if errors.As(err, &e) {
			return nil, &RuleError{Line: e.Line, Column: e.Column + 1, Message: e.Message}
		}
		return nil, &RuleError{Line: 1, Column: 1, Message: err.Error()}
	}
	c := &condition{program: program, values: map[string]any{}}
	for name, from := range known {
		if check.used[name] {
			c.inputs = append(c.inputs, input{name, from})
			c.perSite = c.perSite || (name != "contact" && !strings.HasPrefix(name, thinnest))
		}
	}
	return c, nil
}

// holds evaluates the condition. A checked condition cannot fail; should the
// library refuse it all the same, it does not hold.
func (c *condition) holds(v *Values) bool {
	for _, in := range c.inputs {
		c.values[in.name] = in.from(v)
	}
	result, err := c.machine.Run(c.program, c.values)
	held, ok := result.(bool)
	return err == nil && ok && held
}

// inputsFor returns every name that source may use, with each visibility_<nm>
// that occurs in it.
func inputsFor(source string) map[string]func(*Values) any {
	known := map[string]func(*Values) any{
		"contact": func(v *Values) any { return v.Contact },
	}
	add := func(name string, get func(*SiteValues) float64) {
		known[name] = func(v *Values) any { return get(&v.Here) }
		known[thinnest+"."+name] = func(v *Values) any { return get(&v.Thinnest) }
	}
	for name, get := range siteNames() {
		add(name, get)
	}
	for _, match := range regexp.MustCompile(`\bvisibility_([0-9]{3,4})\b`).FindAllStringSubmatch(source, -1) {
		wavelengthNM, _ := strconv.ParseFloat(match[1], 64)
		add(match[0], func(s *SiteValues) float64 { return s.visibility(wavelengthNM) })
	}
	return known
}

// checker admits only the language of the package documentation, and rewrites
// the tree so that a comparison with NaN is false under any number of negations:
// negations are pushed into the comparisons, and a != b becomes a < b || a > b.
// a and b are numbers, which hold no comparison, so the tree at most doubles.
type checker struct {
	known map[string]func(*Values) any
	used  map[string]bool
	fault string // the first one
	at    file.Location
}

func (c *checker) refuse(node ast.Node, format string, args ...any) {
	c.fault, c.at = fmt.Sprintf(format, args...), node.Location()
}

// Visit is called by the library for each node, leaves first.
func (c *checker) Visit(node *ast.Node) {
	if c.fault != "" {
		return
	}
	switch n := (*node).(type) {
	case *ast.BoolNode, *ast.IntegerNode, *ast.FloatNode:
	case *ast.StringNode: // the field of a member; refused as an operand below
	case *ast.IdentifierNode:
		if n.Value != thinnest {
			c.name(n, n.Value)
		}
	case *ast.MemberNode:
		base, isName := n.Node.(*ast.IdentifierNode)
		field, isField := n.Property.(*ast.StringNode)
		if !isName || !isField || base.Value != thinnest || n.Optional {
			c.refuse(n, "%q is not allowed: only %s.<name> takes a dot", n, thinnest)
			return
		}
		name := thinnest + "." + field.Value
		c.name(n, name)
		ast.Patch(node, &ast.IdentifierNode{Value: name})
	case *ast.BuiltinNode:
		if n.Name != "abs" || len(n.Arguments) != 1 || isTruth(n.Arguments[0]) {
			c.refuse(n, "%q is not allowed: the only function is abs(number)", n.Name)
		}
	case *ast.UnaryNode:
		switch n.Operator {
		case "+", "-":
			if isTruth(n.Node) {
				c.refuse(n, "operator %q takes a number", n.Operator)
			}
		case "!", "not":
			if isTruth(n.Node) {
				ast.Patch(node, negated(n.Node))
			}
		default:
			c.refuse(n, "operator %q is not allowed", n.Operator)
		}
	case *ast.BinaryNode:
		c.binary(node, n)
	default:
		c.refuse(n, "%q is not allowed in a condition: use numbers, names, + - * /, comparisons, && || !", n)
	}
}

func (c *checker) name(node ast.Node, name string) {
	if _, ok := c.known[name]; !ok {
		c.refuse(node, "unknown name %q: allowed are %s", name, strings.Join(Names(), ", "))
		return
	}
	c.used[name] = true
}

func (c *checker) binary(node *ast.Node, n *ast.BinaryNode) {
	for _, side := range [...]ast.Node{n.Left, n.Right} {
		if _, ok := side.(*ast.StringNode); ok {
			c.refuse(side, "text is not allowed in a condition")
			return
		}
	}
	switch n.Operator {
	case "&&", "and", "||", "or":
	case "<", "<=", ">", ">=", "+", "-", "*", "/":
		if isTruth(n.Left) || isTruth(n.Right) {
			c.refuse(n, "operator %q takes numbers", n.Operator)
		}
	case "==", "!=":
		if isTruth(n.Left) || isTruth(n.Right) {
			if !isPlain(n.Left) || !isPlain(n.Right) {
				c.refuse(n, "%q compares conditions: use && || ! instead", n.Operator)
			}
			return
		}
		if n.Operator == "!=" {
			ast.Patch(node, binary("||", binary("<", n.Left, n.Right), binary(">", n.Left, n.Right)))
		}
	default:
		c.refuse(n, "operator %q is not allowed", n.Operator)
	}
}

func binary(operator string, left, right ast.Node) *ast.BinaryNode {
	n := &ast.BinaryNode{Operator: operator, Left: left, Right: right}
	n.SetLocation(left.Location())
	return n
}

// isTruth tells whether a node gives true or false, by its shape.
func isTruth(node ast.Node) bool {
	switch n := node.(type) {
	case *ast.BoolNode:
		return true
	case *ast.IdentifierNode:
		return n.Value == "contact"
	case *ast.UnaryNode:
		return n.Operator == "!" || n.Operator == "not"
	case *ast.BinaryNode:
		switch n.Operator {
		case "+", "-", "*", "/":
			return false
		}
		return true
	}
	return false
}

func isPlain(node ast.Node) bool {
	switch node.(type) {
	case *ast.BoolNode, *ast.IdentifierNode:
		return true
	}
	return false
}

// negated returns the negation of a truth value that holds no negated comparison.
func negated(node ast.Node) ast.Node {
	switch n := node.(type) {
	case *ast.BoolNode:
		return &ast.BoolNode{Value: !n.Value}
	case *ast.UnaryNode: // of a plain name: all others are gone
		return n.Node
	case *ast.BinaryNode:
		switch n.Operator {
		case "&&", "and":
			return binary("||", negated(n.Left), negated(n.Right))
		case "||", "or":
			return binary("&&", negated(n.Left), negated(n.Right))
		case "<":
			return binary(">=", n.Left, n.Right)
		case "<=":
			return binary(">", n.Left, n.Right)
		case ">":
			return binary("<=", n.Left, n.Right)
		case ">=":
			return binary("<", n.Left, n.Right)
		case "!=": // of truth values: those of numbers are gone
			return binary("==", n.Left, n.Right)
		case "==":
			if isTruth(n.Left) {
				return binary("!=", n.Left, n.Right)
			}
			return binary("||", binary("<", n.Left, n.Right), binary(">", n.Left, n.Right))
		}
	}
	return &ast.UnaryNode{Operator: "!", Node: node}
}

// position turns an offset in characters into line and column from 1.
func position(source string, offset int) (line, column int) {
	line, column = 1, 1
	for i, r := range []rune(source) {
		if i == offset {
			break
		}
		if column++; r == '\n' {
			line, column = line+1, 1
		}
	}
	return line, column
}
