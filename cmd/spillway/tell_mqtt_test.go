package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/link/mqtt"
	"spillway/config"
)

// TestToldOverMQTT tells on a link and on an address of its own, over the premises' broker.
func TestToldOverMQTT(t *testing.T) {
	s := newStage(t, "")
	text := s.text()
	broker := text[strings.Index(text, `"mqtt://`):]
	broker = broker[1 : 1+strings.Index(broker[1:], `"`)]
	s.write(text + "[tell.on_link]\nlink = \"barn\"\ntopic = \"told/link\"\nwindows = true\nafter = \"0s\"\n" +
		"[tell.alone]\nurl = \"" + broker + "\"\ntopic = \"told/alone\"\nwindows = true\nafter = \"0s\"\n")
	var points []*actions.Point
	for _, topic := range []string{"told/link", "told/alone"} {
		points = append(points, &actions.Point{Ref: actions.Ref{Device: "listener", Point: strings.ReplaceAll(topic, "/", "_")},
			Read: &actions.Address{Topic: topic, Pick: "$.items[0].where"}, Values: []actions.NamedValue{{Name: "heard", Wire: "Free power, Nether Sallow"}}})
	}
	listener, err := mqtt.Open(actions.Link{Name: "listener", URL: broker, Protocol: "mqtt", Timeout: time.Second}, points)
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	s.wait("the listener to be connected", func() bool { return listener.Session() > 0 })
	s.house.Calendar.Put(window("mqtt", time.Hour, time.Hour)(s.start))
	s.begin()
	for _, p := range points {
		s.wait(p.Read.Topic, func() bool {
			v, err := listener.Read(t.Context(), p)
			return err == nil && v == actions.Named("heard")
		})
	}
}

func TestReceivers(t *testing.T) {
	d := &daemon{cfg: &config.Config{}}
	list, err := d.receivers(config.Tell{Name: "ada", By: "mail", URL: "smtp://mail.example", To: []string{"<ada@house.example>", "<bee@house.example>"},
		Faults: []string{"restore"}, After: time.Minute})
	if err != nil || len(list) != 2 || list[0].Name == list[1].Name || len(list[0].Rules.Kinds) != 1 || list[0].Rules.After != time.Minute {
		t.Errorf("%+v, %v", list, err)
	}
	if _, err := d.receivers(config.Tell{Name: "ada", By: "mqtt", Link: "gone"}); err == nil {
		t.Error("a link that is not there is no fault")
	}
	if _, err := d.receivers(config.Tell{Name: "ada", By: "webhook", CAFile: filepath.Join(t.TempDir(), "none")}); err == nil {
		t.Error("certificates that are not there are no fault")
	}
}
