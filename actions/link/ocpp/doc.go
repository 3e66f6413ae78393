// Package ocpp is the central system that vehicle chargers come to, in OCPP 1.6-J and 2.0.1 (JSON over WebSocket; RFC 6455).
//
// A link of url ocpp://listen-address:port/STATION listens there and waits for the charger that calls itself STATION;
// ocpps:// and a certificate make it TLS (security profile 2), a password asks for basic authentication (profiles 1 and 2,
// with the station's name as user). Several links may share an address. Beyond loopback one of the two is required.
// ?connector=2 picks another connector (1.6) or EVSE (2.0.1) than the first.
//
// Five points exist by themselves:
//
//   - plugged (yes, no): what the charger says of its connector.
//   - charging (on, off): whether a transaction is running. Writing it starts or stops one from afar.
//   - current (A): the limit that the charger says is in force (GetCompositeSchedule). Writing it sets charging profiles.
//   - power (W) and energy (Wh): from meter values, which are asked for when the newest are old.
//
// # Limits
//
// A limit is a TxDefaultProfile, and a TxProfile too while a transaction runs, since chargers differ on whether a new
// default reaches it; one of the two accepted is accepted. [link.Lender] gives a limit an end, so that the charger falls
// back by itself should Spillway die: such profiles stand on the greatest stack level that the charger has, and expire by
// validTo and by their duration. A charger that takes limits in W only is given W. A limit without an end, such as a normal, stands one level below. A limit at or above
// the end of the point's range, or 32 A where it has none, means none: the profiles are cleared, and no limit in force
// reads as that. Profiles of others are left alone. A profile starts a minute ago, so that a clock that is behind does not
// open a gap.
//
// # What is remembered
//
// State is what the charger has said since it connected; nothing said before counts. After it connects it is asked for its
// status, its meter values and what profiles it can do. Any identification that the charger asks about is accepted: who
// may charge is the household's matter, and the charger's.
package ocpp
