package modbus

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
)

//go:embed models.txt
var modelsText string

// A modelPoint is one point of a SunSpec model.
type modelPoint struct {
	name    string
	kind    string // int16, acc32, enum16, sunssf, string, ...
	offset  int    // registers from the model's ID
	size    int    // registers
	scale   string // name of the scale factor; "" for none
	write   bool
	symbols map[string]int64 // of an enumeration
}

// A model is a SunSpec information model, by the point names in lower case: the definitions are not of one mind.
type model struct {
	length int // registers after ID and L
	points map[string]modelPoint
}

// sizes are the registers of the types that have a fixed size.
func size(kind string) int {
	switch kind {
	case "int16", "uint16", "acc16", "enum16", "bitfield16", "sunssf", "pad", "count":
		return 1
	case "int32", "uint32", "acc32", "enum32", "bitfield32", "float32":
		return 2
	case "int64", "uint64", "acc64", "float64":
		return 4
	}
	return 0
}

// readModels reads models.txt.
func readModels(text string) (map[uint16]model, error) {
	all := map[uint16]model{}
	var open []uint16
	offset := 0
	for n, line := range strings.Split(text, "\n") {
		fields := strings.Fields(line)
		switch {
		case len(fields) == 0 || fields[0] == "#":
			continue
		case fields[0] == "model":
			offset = 2
			open = nil
			length, err := strconv.Atoi(fields[len(fields)-1])
			if err != nil || len(fields) < 3 {
				return nil, fmt.Errorf("line %d opens no model", n+1)
			}
			m := model{length, map[string]modelPoint{}}
			for _, f := range fields[1 : len(fields)-1] {
				id, err := strconv.ParseUint(f, 10, 16)
				if err != nil {
					return nil, fmt.Errorf("line %d: %w", n+1, err)
				}
				open = append(open, uint16(id))
				all[uint16(id)] = m
			}
			continue
		case len(open) == 0 || len(fields) < 2:
			return nil, fmt.Errorf("line %d is no point", n+1)
		}
		p, err := readPoint(fields, offset)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n+1, err)
		}
		all[open[0]].points[strings.ToLower(p.name)] = p
		offset += p.size
	}
	return all, nil
}

func readPoint(fields []string, offset int) (modelPoint, error) {
	kind, registers, isString := strings.Cut(fields[1], ":")
	p := modelPoint{name: fields[0], kind: kind, offset: offset, size: size(kind)}
	if isString {
		n, err := strconv.Atoi(registers)
		if err != nil {
			return p, err
		}
		p.size = n
	}
	if p.size == 0 {
		return p, fmt.Errorf("the type %s is not known", kind)
	}
	for _, f := range fields[2:] {
		symbol, number, isSymbol := strings.Cut(f, "=")
		switch {
		case f == "rw":
			p.write = true
		case isSymbol:
			n, err := strconv.ParseInt(number, 10, 64)
			if err != nil {
				return p, err
			}
			if p.symbols == nil {
				p.symbols = map[string]int64{}
			}
			p.symbols[symbol] = n
		default:
			p.scale = f
		}
	}
	return p, nil
}
