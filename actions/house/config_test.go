package house

import (
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

func testAddresses() Addresses {
	return Addresses{
		Broker: "mqtt://127.0.0.1:1883", Boiler: "http://127.0.0.1:8090/", Yard: "http://127.0.0.1:8091/",
		Calendar: "http://127.0.0.1:8092/quillmere.ics",
	}
}

// Every point of the configuration must be one that a box has, with the same names and range; every setting of a box must
// stand in the configuration.
func TestConfigFitsTheBoxes(t *testing.T) {
	for _, o := range []ConfigOptions{{State: t.TempDir()}, {State: t.TempDir(), Auto: true, Listen: "127.0.0.1:8377"}, {}} {
		var c struct {
			Links   map[string]struct{ URL string }
			Devices map[string]struct {
				Link   string
				Points map[string]struct {
					Write, Read, Values any
					Range               []float64
				}
			}
		}
		text := ConfigText(testAddresses(), o)
		if err := toml.Unmarshal([]byte(text), &c); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		s := newSite(t, 1)
		settings := 0
		for device, d := range c.Devices {
			for point, p := range d.Points {
				cell := s.cell(ref(t, device+"."+point))
				if cell == nil {
					t.Errorf("%s.%s is in no box", device, point)
					continue
				}
				if cell.link != d.Link {
					t.Errorf("%s.%s is behind %s, the configuration says %s", device, point, cell.link, d.Link)
				}
				if (cell.set != nil) != (p.Write != nil) {
					t.Errorf("%s.%s: settable %v, written %v", device, point, cell.set != nil, p.Write)
				}
				if cell.set == nil {
					continue
				}
				settings++
				if w, ok := p.Write.(map[string]any); ok && cell.topic != "" && (w["topic"] != cell.topic+"/set" || p.Read != cell.topic) {
					t.Errorf("%s.%s: %v, %v, the topic is %s", device, point, p.Write, p.Read, cell.topic)
				}
				if cell.names == nil && (len(p.Range) != 2 || p.Range[0] != cell.lowest || p.Range[1] != cell.most) {
					t.Errorf("%s.%s: range %v, the box has %v to %v", device, point, p.Range, cell.lowest, cell.most)
				}
			}
		}
		if settings != len(s.Settings()) {
			t.Errorf("%d settings in the configuration, %d in the boxes", settings, len(s.Settings()))
		}
		if strings.Contains(text, "= auto") != o.Auto {
			t.Errorf("auto asked for %v:\n%s", o.Auto, text)
		}
		if strings.Contains(text, "<no value>") {
			t.Errorf("the template has a hole:\n%s", text)
		}
	}
}
