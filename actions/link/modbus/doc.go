// Package modbus speaks to boxes over Modbus TCP and RTU (MODBUS Application Protocol V1.1b3; Messaging on TCP/IP V1.0b;
// over Serial Line V1.02), by register number or by SunSpec model and point name.
//
// The url is modbus://host:502/UNIT, or modbus+rtu:///dev/ttyUSB0/UNIT for a serial line, where a query sets what differs
// from 19200 baud, 8 data bits, even parity and 1 stop bit, which is the standard's default (Serial Line V1.02, 3.3):
// ?speed=9600&parity=none&data=8&stop=2.
//
// A value is register x scale + offset. A command is one write: function 5 for a coil, 6 for one register, 16 for
// several, and 16 for one register too at a box that does not know 6. A bit of a register is read, changed and written in
// one turn. Exchanges on a link come one at a time. Reading a coil or a register asks the box each time.
//
// Registers are high byte first, as the standard has them; `words` says which register of a 32-bit value comes first.
// Strings are two characters a register, ended by NUL or space.
//
// # SunSpec
//
// With `model` and `name` the box is searched for the "SunS" mark at 40000, 0 and 50000, and its chain of models is
// walked once for each connection. A point is read together with its scale factor where one exchange reaches both. What
// the standard reserves for "not implemented" is an error, not a number. Names of an enumeration may stand as wire forms:
// values = { charging = "CHARGING" }. The models known are in models.txt, which says where they come from; where a box
// has a model twice, the first counts, or the one that `nth` says.
//
// # Timers
//
// Where a box ends a value by itself after the time in another register, such as InOutWRte_RvrtTms of model 124 or
// WSetRvrtTms of model 704, `timer` names it, and `lasts` the longest. The time goes in the same request as the value where
// the registers lie side by side, else just before it; a box that refuses the time is not given the value.
//
// # Sending once
//
// The library sends nothing twice. A connection that was idle for some seconds is made anew before a command, because
// many boxes drop idle connections and a command into a dead one would be Unknown for nothing. Whatever failed before the
// writing request left is Unreachable.
package modbus
