// Package mqtt speaks to boxes through an MQTT broker: version 5 (OASIS MQTT 5.0) where the broker has it, and 3.1.1
// otherwise.
//
// A command is published once, at the QoS of its address: at QoS 1 and 2 Write returns when the broker has acknowledged
// it, at QoS 0 when it is on the socket. While the broker is away a command is Unreachable at once; nothing is queued.
// Every connection starts clean, with a client of its own, so that no library can deliver a command of an earlier
// connection; this is why the connection managers of the libraries are left out, which keep sessions and queues, and which
// could not change the version either. On MQTT 5 a command that is not retained carries an expiry of the link's
// `confirm`, so that a broker that queues for a sleeping device does not hand it over hours later; 3.1.1 knows no such
// thing.
//
// A reading is the newest message on its topic, retained or live, since the connection began. Read asks nobody, so it
// costs nothing. What was heard before a loss of the connection no longer counts: the device may have changed meanwhile,
// and an old value that happens to be the normal would end a restore that has not happened. A device that publishes its
// state retained is read at once after a reconnect; one that publishes it from time to time, when it does so next; until
// then Read says NotYet. A device that publishes only changes, and not retained, cannot be read back reliably over MQTT:
// such a point is better configured without `read`.
//
// Subscriptions are to exactly the topics read, at QoS 0: within one connection TCP loses nothing, and across
// connections nothing would count. Wildcards are refused. Messages above a mebibyte are passed over unread.
//
// The version is found by trying: a broker that answers a CONNECT of version 5 with the short CONNACK of 3.1.1 (OASIS
// MQTT 3.1.1, 3.2.2.3), with "unsupported protocol version", or by hanging up, is tried again with 3.1.1, and the
// version that worked is kept.
package mqtt
