// Package house simulates the premises that the demo and the tests run against: Quillmere, an invented smallholding in
// the invented parish of Nether Sallow, with a barn battery, a house battery, an ice bank in the cold store, a hot-water
// cylinder on a heat pump and a van on a charger, all behind one service fuse of 60 A.
//
// It has two layers. A [Site] is the pure model: it is told the time, knows no clock, no socket and no randomness but its
// seed, and the same calls give the same premises. A [House] puts real protocols in front of a Site, on loopback
// addresses: an MQTT broker with two gateways behind it, two HTTP boxes, and a calendar over HTTP; it runs on a [Clock]
// that may be hundreds of times faster than the machine's.
//
// The boxes fail as real ones do. A gateway loses a command that follows another within its spacing (15 s: common
// practice, no source) and tells of a change a little later; the cylinder's boost ends by itself after 20 to 25 minutes
// (common practice, no source) and its box is slow at times; the charger takes a current only in its remote mode, and
// whole amperes from 6 to 32 or 0 only (IEC 61851-1: none below 6 A). Worse things happen on request or by a seed: see
// [Fault].
//
// A simulation may put a workshop beside all that (see [Site.AddWorkshop]): devices that keep something, or may not be
// switched to and fro.
//
// Whatever reaches a device is kept in a [Ledger] at the device, so that a test looks there and not in the records of the
// program under test.
//
// Everything about the premises is invented: nobody's house, devices or supplier is meant. The sums are textbook physics;
// the tests name the sources of the values they are checked against.
package house
