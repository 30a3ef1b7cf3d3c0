package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"underkeep/store"
	"underkeep/store/localpg"
)

// config is what every command that needs the database shares; each value has
// an environment variable and a flag of the same name in lower case.
type config struct {
	databaseURL string // empty: a private Postgres under dataDir
	dataDir     string
	mqttURL     string // empty: a broker in this process on mqttListen
	mqttListen  string
	mqttShare   string // group of subscribers behind a clustered broker
	instance    string
	http        string
	https       bool // https ends in front of the service
	logLevel    string
	evidence    evidenceConfig

	weatherURL     string // empty: no weather service is asked
	weatherContact string // whom the weather service may write to

	messaging messaging
	access    access
}

// newFlags makes a flag set whose defaults come from the environment.
func newFlags(name string, stderr io.Writer) (*flag.FlagSet, *config) {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(stderr)
	c := &config{}
	fs.StringVar(&c.databaseURL, "database-url", os.Getenv("UNDERKEEP_DATABASE_URL"), "Postgres `URL`; empty: a private Postgres under the data folder")
	fs.StringVar(&c.dataDir, "data", env("UNDERKEEP_DATA", "./underkeep-data"), "data `folder`")
	fs.StringVar(&c.logLevel, "log-level", env("UNDERKEEP_LOG_LEVEL", "info"), "debug, info, warn or error")
	return fs, c
}

// serviceFlags adds what only the service needs.
func (c *config) serviceFlags(fs *flag.FlagSet) {
	c.evidenceFlags(fs)
	fs.StringVar(&c.mqttURL, "mqtt-url", os.Getenv("UNDERKEEP_MQTT_URL"), "MQTT broker `URL`; empty: a broker in this process")
	fs.StringVar(&c.mqttListen, "mqtt-listen", env("UNDERKEEP_MQTT_LISTEN", "127.0.0.1:1883"), "`address` of the broker in this process")
	fs.StringVar(&c.mqttShare, "mqtt-share", os.Getenv("UNDERKEEP_MQTT_SHARE"), "`group` of instances that share one subscription")
	fs.StringVar(&c.instance, "instance", env("UNDERKEEP_INSTANCE", "underkeep"), "`name` of this instance, its own among several; the broker keeps its session under it")
	fs.BoolVar(&c.https, "https", os.Getenv("UNDERKEEP_HTTPS") == "true", "https ends in front of the service: mark cookies for https only")
	fs.StringVar(&c.weatherURL, "weather-url", os.Getenv("UNDERKEEP_WEATHER_URL"), "weather service `URL`, as https://api.weather.gov; empty: none is asked")
	fs.StringVar(&c.weatherContact, "weather-contact", os.Getenv("UNDERKEEP_WEATHER_CONTACT"), "`contact` that the weather service is told: a mail address or a page")
	c.messagingFlags(fs)
	c.accessFlags(fs)
	fs.StringVar(&c.http, "http", env("UNDERKEEP_HTTP", "127.0.0.1:8080"), "`address` of API and pages")
}

func env(name, fallback string) string {
	if v := os.Getenv(name); v != "" {
		return v
	}
	return fallback
}

func (c *config) logger(w io.Writer) (*slog.Logger, error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.logLevel)); err != nil {
		return nil, fmt.Errorf("log level %q: want debug, info, warn or error", c.logLevel)
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level})), nil
}

// database gives the URL of the database and what ends it: for the service a
// private cluster of its own, for a short command whatever runs already.
func (c *config) database(ctx context.Context, log *slog.Logger, forCommand bool) (url string, stop func() error, err error) {
	if c.databaseURL != "" {
		return c.databaseURL, func() error { return nil }, nil
	}
	start := localpg.Start
	if forCommand {
		start = localpg.Open
	}
	cluster, err := start(ctx, localpg.Options{DataDir: filepath.Join(c.dataDir, "postgres"), Logger: log.With("part", "postgres")})
	if err != nil {
		return "", nil, err
	}
	return cluster.URL(), cluster.Stop, nil
}

// sessionKey reads the key that seals the cookies of the pages, made at the
// first start, so that a restart signs nobody out. Instances that share their
// people share the file.
func sessionKey(dataDir string) ([]byte, error) {
	name := filepath.Join(dataDir, "session.key")
	key, err := os.ReadFile(name)
	if err == nil && len(key) == sessionKeyBytes {
		return key, nil
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("read the session key: %w", err)
	}
	key = make([]byte, sessionKeyBytes)
	rand.Read(key) // never fails, crypto/rand
	if err := os.MkdirAll(dataDir, 0o755); err != nil {
		return nil, fmt.Errorf("make the data folder: %w", err)
	}
	if err := os.WriteFile(name, key, 0o600); err != nil {
		return nil, fmt.Errorf("write the session key: %w", err)
	}
	return key, nil
}

const sessionKeyBytes = 32

// withStore opens the store for a short command, brings its schema up to date,
// and closes everything again.
func (c *config) withStore(ctx context.Context, stderr io.Writer, f func(*store.Store) error) error {
	return c.withStoreFor(ctx, time.Minute, stderr, func(_ context.Context, st *store.Store) error { return f(st) })
}

// withStoreFor is withStore for a command that may take longer.
func (c *config) withStoreFor(ctx context.Context, most time.Duration, stderr io.Writer, f func(context.Context, *store.Store) error) (err error) {
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	url, stop, err := c.database(ctx, log, true)
	if err != nil {
		return err
	}
	defer func() {
		if e := stop(); err == nil {
			err = e
		}
	}()
	st, err := store.Open(ctx, url, store.Options{Log: log, IngestConns: 1, EvaluationConns: 1, APIConns: 2, Instance: "command"})
	if err != nil {
		return err
	}
	defer st.Close()
	if err := st.Migrate(ctx); err != nil {
		return err
	}
	return f(ctx, st)
}
