package main

import (
	"path/filepath"

	"hoistward/alarms"
	"hoistward/alarms/notify"
	"hoistward/alarms/watch"
	"hoistward/configs"
	"hoistward/ingest"
	"hoistward/ingest/mqtt"
)

// notifyDir is the folder, in the data folder, of how far each destination has come.
const notifyDir = "notify"

// openNotify makes what carries alarms outside. From here on what is journalled goes
// out; it begins with startNotify. It is taken down after the loop.
func (st *station) openNotify(u *undo) error {
	n := &st.site.Notify
	o := notify.Options{
		Site: st.site.Name, Software: "hoistward " + version,
		Journal: filepath.Join(st.site.Data, journalFile), Length: st.journal.Length,
		Dir: filepath.Join(st.site.Data, notifyDir), Keep: n.Keep, Clock: st.clock, Log: st.log,
		MQTT: alarmBrokers(st.site), Failing: st.notifyFailing,
	}
	for _, w := range n.Webhooks {
		least, _ := alarms.ParsePriority(w.Priority) // one of its words, by the site file's reader
		o.Webhooks = append(o.Webhooks, notify.Webhook{Name: w.Name, URL: w.URL, SecretFile: w.SecretFile, CAFile: w.CAFile,
			Least: least, Rigs: w.Rigs, Timeout: w.Timeout})
	}
	if a := n.Annunciator; a != nil {
		least, _ := alarms.ParsePriority(a.Priority)
		o.Annunciator = &notify.Command{Argv: a.Command, Timeout: a.Timeout, AtOnce: a.AtOnce, Least: least}
	}
	if st.pair != nil {
		o.Voice = st.pair
		// A member that is cut off says on its page soon that nothing gets out.
		link := &o.MQTT[0].Link
		link.KeepAlive, link.ConnectTimeout, link.WriteTimeout, link.PublishTimeout = pairKeepAlive, pairKeepAlive, pairKeepAlive, pairKeepAlive
	}
	var err error
	if st.notifier, err = notify.New(o); err != nil {
		return err
	}
	if st.pair != nil {
		st.pair.mu.Lock()
		st.pair.notify = st.notifier
		st.pair.mu.Unlock()
	}
	u.add("notify", st.notifier.Close)
	return nil
}

// alarmBrokers returns the brokers that alarms are published on: one of the site
// file's, or each of the sources' once.
func alarmBrokers(site *configs.Site) []notify.MQTT {
	if b := site.Notify.Broker; b != nil {
		return []notify.MQTT{{Name: b.Name, Link: brokerOptions(b)}}
	}
	if !site.Notify.SourceBrokers {
		return nil
	}
	var out []notify.MQTT
	seen := map[string]bool{}
	for i := range site.Sources {
		s := &site.Sources[i]
		if s.Kind != "mqtt" || seen[s.Broker] {
			continue
		}
		seen[s.Broker] = true
		link := brokerOptions(s)
		link.ClientID = "" // the source has it
		out = append(out, notify.MQTT{Name: "mqtt-" + s.Name, Link: link, Shared: true})
	}
	return out
}

func brokerOptions(s *configs.Source) mqtt.Options {
	return mqtt.Options{Broker: s.Broker, ClientID: s.ClientID, User: s.User, PasswordFile: s.PasswordFile,
		CAFile: s.CAFile, CertFile: s.CertificateFile, KeyFile: s.KeyFile}
}

// notifyFailing has the loop raise the alarm, or clear it.
func (st *station) notifyFailing(failing bool, why string) {
	link := ingest.Link{Source: watch.NotifyLink, State: "delivering"}
	if failing {
		link.State, link.Detail = "failing", why
	}
	st.loop.Link(link)
}
