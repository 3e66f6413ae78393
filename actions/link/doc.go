// Package link is the contract that every driver keeps: one conversation with one gateway or box.
//
// A driver sends a command once and never again by itself; retrying, spacing, confirming and recording are the runner's.
// What a driver cannot know it reports as unknown, not as failed: a command whose answer did not come may have arrived.
// A command that certainly did not leave is Unreachable, so that it can be sent again without a thought.
//
// Beside the contract stands what drivers share: the wire forms of values ([Wire], [Decoder], [Body] and the like), TLS
// ([TLS]), turns ([Gate]) and conversations ([Sessions]).
//
// # How to add a link kind
//
//  1. Make a package below this one and a function of type [Opener] in it. It checks what it is given (addresses that can
//     never work are an error now, not at the first command) and returns at once; dialling is done behind it.
//  2. Decode with one [Decoder] per point, made when the link is opened; write what [Body], [Path], [Header], [Arg] or
//     [Wire] return. They refuse what does not belong on the wire.
//  3. Bound whatever the far end may send before it is kept, and say in one line what was wrong with it ([Sample]).
//     Where boxes of this kind can be given a value for a time, make it a [Lender]: [Termed] fills in text addresses.
//  4. Sort errors by class: nothing sent is Unreachable, a no is Refused, silence after sending is Unknown.
//  5. Describe a far end that misbehaves on demand as a linktest.Peer, and hand it to linktest.Run: it accepts, refuses,
//     times out, is lost and found again, loses a command, answers late, sends rubbish and never stops sending.
//  6. Give every parser of outside bytes a fuzz target.
//  7. Give the protocol its address keys in actions.Address and in the configuration, and the opener its scheme in
//     cmd/spillway.
package link
