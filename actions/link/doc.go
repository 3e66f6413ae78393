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
// The kind that runs a program for each exchange (package command) is the shortest to read first.
//
//  1. Make a package below this one and a function of type [Opener] in it. It checks what it is given (addresses that can
//     never work are an error now, not at the first command) and returns at once; dialling is done behind it, at the first
//     exchange or in a goroutine that Close ends.
//  2. Decode with one [Decoder] per point, made when the link is opened; write what [Body], [Path], [Header], [Arg] or
//     [Wire] return. They refuse what does not belong on the wire, but know nothing of your framing: a value with a line
//     break is yours to refuse where lines end a command. A point that cannot be written or read, or that Open was not
//     given, is Impossible.
//  3. Bound an exchange by [Within]. Where the box serves one exchange at a time take turns by [Gate], and where there is
//     no connection to count conversations by, [Sessions] counts the losses. After an exchange without an answer drop the
//     connection: a late answer must not be taken for the next one's.
//  4. Bound whatever the far end may send before it is kept, and say in one line what was wrong with it ([Sample]).
//     Where boxes of this kind can be given a value for a time, make it a [Lender]: [Termed] fills in text addresses.
//  5. Sort errors by class: nothing sent is Unreachable ([Closed] after Close), a no is Refused, silence after sending is
//     Unknown ([NoAnswer]), a reading that makes no sense Rubbish.
//  6. Describe a far end that misbehaves on demand as a linktest.Peer, and hand it to linktest.Run: it accepts, refuses,
//     times out, is lost and found again, loses a command, answers late, sends rubbish and never stops sending. A
//     linktest.Proxy before it cuts and mends the conversation.
//  7. Give every parser of outside bytes a fuzz target.
//  8. Teach the configuration: fields of actions.Address for what the addresses say and of actions.Link for what the link
//     does, unless there are some that fit; their keys in config/schema.go, "only" naming the protocol; a linkKind in a file
//     of its own (config/link_mqtt.go is a plain one) and its line in config/link_kind.go; a chapter of the example in
//     config/example_chapters_test.go. "go test ./config -update" then writes testdata/config/full.toml and the errors that
//     name all kinds: read what changed.
//  9. Give the opener its protocol in cmd/spillway/drivers.go, and say so in README.md.
package link
