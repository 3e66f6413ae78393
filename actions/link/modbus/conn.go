package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/url"
	"os"
	"path"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/simonvetter/modbus"

	"spillway/actions"
	"spillway/actions/link"
)

// idle is how long a TCP connection may lie still and be used again.
const idle = 5 * time.Second

// A target is the box to connect to.
type target struct {
	conf   modbus.ClientConfiguration
	unit   uint8
	name   string // for messages
	serial bool
}

func newTarget(spec actions.Link) (target, error) {
	u, err := url.Parse(spec.URL)
	if err != nil || u.User != nil {
		return target{}, errors.New("write its url as modbus://host:502/1 or modbus+rtu:///dev/ttyUSB0/1")
	}
	dir, last := path.Split(strings.TrimRight(u.Path, "/"))
	unit, err := strconv.ParseUint(last, 10, 8)
	if err != nil || unit == 0 {
		return target{}, errors.New("its url ends in no unit: 1 to 247, or 255")
	}
	t := target{unit: uint8(unit), name: strings.TrimSuffix(u.Scheme+"://"+u.Host+u.Path, "/")}
	t.conf.Timeout = link.Limit(spec)
	t.conf.Logger = log.New(io.Discard, "", 0)
	switch u.Scheme {
	case "modbus":
		if u.Hostname() == "" || dir != "/" || u.RawQuery != "" {
			return target{}, errors.New("write its url as modbus://host:502/1")
		}
		port := u.Port()
		if port == "" {
			port = "502"
		}
		t.conf.URL = "tcp://" + net.JoinHostPort(u.Hostname(), port)
	case "modbus+rtu":
		if u.Host != "" || len(dir) < 2 {
			return target{}, errors.New("write its url as modbus+rtu:///dev/ttyUSB0/1")
		}
		t.conf.URL, t.serial = "rtu://"+strings.TrimRight(dir, "/"), true
		return t, serialLine(&t.conf, u.Query())
	default:
		return target{}, fmt.Errorf("%q is no Modbus url", spec.URL)
	}
	return t, nil
}

// serialLine reads what the query says of the line, from the default of Serial Line V1.02, 3.3: 19200 8E1. Without a
// parity bit two stop bits keep the character at eleven.
func serialLine(c *modbus.ClientConfiguration, query url.Values) error {
	c.Speed, c.DataBits, c.Parity = 19200, 8, modbus.PARITY_EVEN
	parities := map[string]uint{"none": modbus.PARITY_NONE, "even": modbus.PARITY_EVEN, "odd": modbus.PARITY_ODD}
	for key, values := range query {
		n, err := strconv.ParseUint(values[0], 10, 31)
		parity, known := parities[values[0]]
		switch {
		case key == "speed" && err == nil && n >= 300:
			c.Speed = uint(n)
		case key == "data" && (n == 7 || n == 8):
			c.DataBits = uint(n)
		case key == "stop" && (n == 1 || n == 2):
			c.StopBits = uint(n)
		case key == "parity" && known:
			c.Parity = parity
		default:
			return fmt.Errorf("its url says %s=%s: speed=9600, parity=none, even or odd, data=7 or 8, stop=1 or 2 are known", key, values[0])
		}
	}
	return nil
}

// A conn is one connection to the box, and what was learned over it.
type conn struct {
	client *modbus.ModbusClient
	used   time.Time
	only16 bool                   // the box does not know function 6
	models map[uint16][]placement // SunSpec, in order; nil: not looked for yet
}

// dial connects. The library gives a TCP connection five seconds at most.
func (t target) dial() (*conn, error) {
	client, err := modbus.NewClient(&t.conf)
	if err != nil {
		return nil, err
	}
	if err := client.Open(); err != nil {
		return nil, err
	}
	if err := client.SetUnitId(t.unit); err != nil {
		_ = client.Close()
		return nil, err
	}
	return &conn{client: client, used: time.Now()}, nil
}

// stale reports whether the box may have dropped the connection unseen.
func (t target) stale(c *conn) bool { return !t.serial && time.Since(c.used) > idle }

// An exchange is one turn on a connection: some requests, of which at most one is a command, or
// two where a timer goes before the value.
type exchange struct {
	ctx     context.Context
	conn    *conn
	what    string
	limit   time.Duration
	command bool // it is to end in a command

	exception error // the newest that the box answered, as the library has it

	mu    sync.Mutex
	sent  bool // the command left
	ended bool // whoever asked has been told that it did not
}

// send marks the command as sent, unless the exchange was given up.
func (x *exchange) send() error {
	if err := x.next(); err != nil {
		return err
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.ended {
		return &link.Error{Class: link.Unreachable, What: x.what + ": the command was not sent", Err: context.Cause(x.ctx)}
	}
	x.sent = true
	return nil
}

// left reports whether the command left.
func (x *exchange) left() bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.sent
}

// giveUp ends an exchange from outside: what was not sent will not be.
func (x *exchange) giveUp() error {
	x.mu.Lock()
	x.ended = true
	x.mu.Unlock()
	return x.silence(x.ctx.Err())
}

// read asks for n registers of a table. Holding registers by function 3, input registers by 4.
func (x *exchange) read(table string, at, n int) ([]uint16, error) {
	if err := x.next(); err != nil {
		return nil, err
	}
	kind := modbus.HOLDING_REGISTER
	if table == "input" {
		kind = modbus.INPUT_REGISTER
	}
	registers, err := x.conn.client.ReadRegisters(uint16(at), uint16(n), kind)
	return registers, x.sort(err)
}

// readBit asks for a coil by function 1 or a discrete input by 2.
func (x *exchange) readBit(table string, at uint16) (bool, error) {
	if err := x.next(); err != nil {
		return false, err
	}
	read := x.conn.client.ReadCoil
	if table == "discrete" {
		read = x.conn.client.ReadDiscreteInput
	}
	on, err := read(at)
	return on, x.sort(err)
}

// writeBit sets a coil by function 5.
func (x *exchange) writeBit(at uint16, on bool) error {
	if err := x.send(); err != nil {
		return err
	}
	return x.taken(x.conn.client.WriteCoil(at, on))
}

// write sets registers, one by function 6 and more by 16. Exception 1 says that nothing was done, so that the other
// function may follow.
func (x *exchange) write(at uint16, registers []uint16) error {
	if err := x.send(); err != nil {
		return err
	}
	if len(registers) == 1 && !x.conn.only16 {
		err := x.conn.client.WriteRegister(at, registers[0])
		if !errors.Is(err, modbus.ErrIllegalFunction) {
			return x.taken(err)
		}
		x.conn.only16 = true
	}
	return x.taken(x.conn.client.WriteRegisters(at, registers))
}

// taken sorts the outcome of a command. Exception 5 says that it was taken and takes long.
func (x *exchange) taken(err error) error {
	if errors.Is(err, modbus.ErrAcknowledge) {
		return nil
	}
	return x.sort(err)
}

// next ends an exchange whose time is over before its next request.
func (x *exchange) next() error {
	if x.ctx.Err() != nil {
		return x.silence(x.ctx.Err())
	}
	return nil
}

func (x *exchange) silence(err error) error {
	if x.command && !x.left() {
		return &link.Error{Class: link.Unreachable, What: x.what + ": the command was not sent", Err: err}
	}
	if errors.Is(err, modbus.ErrRequestTimedOut) || errors.Is(err, context.DeadlineExceeded) {
		return &link.Error{Class: link.Unknown, What: fmt.Sprintf("%s: nothing came within %s", x.what, x.limit)}
	}
	return &link.Error{Class: link.Unknown, What: x.what, Err: err}
}

// sort gives an error of the library its class.
func (x *exchange) sort(err error) error {
	if err == nil {
		x.conn.used = time.Now()
		return nil
	}
	if word := exception(err); word != "" {
		x.conn.used = time.Now()
		x.exception = err
		return &link.Error{Class: link.Refused, What: x.what + ": " + word}
	}
	for _, broken := range []error{
		modbus.ErrProtocolError, modbus.ErrBadCRC, modbus.ErrShortFrame, modbus.ErrBadUnitId, modbus.ErrBadTransactionId, modbus.ErrUnknownProtocolId,
	} {
		if errors.Is(err, broken) && !x.left() {
			return &link.Error{Class: link.Rubbish, What: x.what + ": the answer is no Modbus", Err: err}
		}
	}
	if errors.Is(err, modbus.ErrUnexpectedParameters) {
		return &link.Error{Class: link.Impossible, What: x.what, Err: err}
	}
	return x.silence(err)
}

// exception says a Modbus exception (Application Protocol V1.1b3, 7) in words; "" where err is none.
func exception(err error) string {
	words := map[modbus.Error]string{
		modbus.ErrIllegalFunction:         "exception 1, the box does not know this function",
		modbus.ErrIllegalDataAddress:      "exception 2, the box has no such register",
		modbus.ErrIllegalDataValue:        "exception 3, the box does not take this value",
		modbus.ErrServerDeviceFailure:     "exception 4, the box failed at it",
		modbus.ErrAcknowledge:             "exception 5, the box is still at it",
		modbus.ErrServerDeviceBusy:        "exception 6, the box is busy",
		modbus.ErrMemoryParityError:       "exception 8, the box's memory has a parity error",
		modbus.ErrGWPathUnavailable:       "exception 10, the gateway has no path to the unit",
		modbus.ErrGWTargetFailedToRespond: "exception 11, the unit does not answer the gateway",
	}
	var known modbus.Error
	if errors.As(err, &known) {
		return words[known]
	}
	if number, ok := strings.CutPrefix(err.Error(), "unknown exception code ("); ok {
		return "exception " + strings.TrimSuffix(number, ")")
	}
	return ""
}

// broken reports whether the connection is of no more use after err.
func broken(err error) bool {
	c := link.ClassOf(err)
	return err != nil && c != link.Refused && c != link.Impossible
}

// hungUp reports whether a kept connection turned out to be closed.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE) || errors.Is(err, os.ErrClosed)
}
