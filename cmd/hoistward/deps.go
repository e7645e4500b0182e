package main

import (
	_ "github.com/alecthomas/kong"
	_ "github.com/chromedp/cdproto/page"
	_ "github.com/chromedp/chromedp"
	_ "github.com/eclipse/paho.mqtt.golang"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/gorilla/websocket"
	_ "github.com/nats-io/nats-server/v2/server"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "go.uber.org/goleak"
	_ "go.uber.org/zap"
	_ "go.yaml.in/yaml/v3"
	_ "golang.org/x/term"
	_ "gonum.org/v1/gonum/integrate/quad"
	_ "gonum.org/v1/gonum/interp"
	_ "gonum.org/v1/gonum/mat"
	_ "gonum.org/v1/gonum/optimize"
	_ "gonum.org/v1/gonum/stat"
	_ "gonum.org/v1/gonum/stat/distuv"
	_ "modernc.org/sqlite"
	_ "pgregory.net/rapid"
)

func main() {}
