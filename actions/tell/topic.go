package tell

import "context"

// A Publisher hands a payload to a broker, once.
type Publisher interface {
	Publish(ctx context.Context, topic string, payload []byte) error
}

// A Topic publishes each message as JSON.
type Topic struct {
	Topic string
	To    Publisher
}

// Send publishes the message.
func (t Topic) Send(ctx context.Context, m Message) error {
	return t.To.Publish(ctx, t.Topic, m.JSON())
}
