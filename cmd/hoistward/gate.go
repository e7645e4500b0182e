package main

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"time"

	"go.uber.org/zap"

	"hoistward/configs"
	"hoistward/dashboard"
	"hoistward/dashboard/access"
)

// accessDir is the folder of accounts, sessions and audit, in the data folder.
const accessDir = "access"

// guardPage fills in who may see and do what on a site's page, and how it is reached.
func guardPage(o *dashboard.Options, site *configs.Site, log *zap.Logger, now time.Time, u *undo) error {
	if p := site.Page; p.CertificateFile != "" {
		certificate, err := dashboard.OpenCertificate(p.CertificateFile, p.KeyFile)
		if err != nil {
			return fmt.Errorf("dashboard: %w", err)
		}
		o.TLS = certificate
	}
	o.Hosts, o.BehindProxy = site.Page.Hosts, site.Page.BehindProxy
	gate, err := access.Open(filepath.Join(site.Data, accessDir), now, func(err error) { log.Error("access", zap.Error(err)) })
	if err != nil {
		return err
	}
	o.Gate = gate
	u.add("accounts", func(context.Context) error { return gate.Close() })
	return nil
}

// pageAddress is how a browser reaches the page that is served at an address.
func pageAddress(site *configs.Site, at net.Addr) string {
	shown := at.String()
	if tcp, ok := at.(*net.TCPAddr); ok && tcp.IP.IsUnspecified() && len(site.Page.Hosts) > 0 {
		shown = net.JoinHostPort(site.Page.Hosts[0], strconv.Itoa(tcp.Port))
	}
	if site.Page.CertificateFile != "" {
		return "https://" + shown
	}
	return "http://" + shown
}
