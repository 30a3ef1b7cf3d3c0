package localpg

import (
	"context"
	"errors"
	"runtime"
	"time"
)

const (
	firstPorts      = 5                // ports tried at the start
	lingerPatience  = 30 * time.Second // for processes of a killed server to end
	restartPauseMin = 100 * time.Millisecond
	restartPauseMax = 5 * time.Second
)

// supervise runs the server until Stop: it reports the first start through ready,
// and starts the server again whenever it dies.
func (c *Cluster) supervise(ctx context.Context, ready chan<- error) {
	// The parent-death signal comes when the thread that forked ends, so this
	// goroutine keeps its thread for as long as there is a server.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	defer close(c.done)
	s, err := c.firstServer(ctx)
	ready <- err
	if err != nil {
		return
	}
	for {
		c.server.Store(s)
		born := time.Now()
		select {
		case <-c.stopping:
			c.server.Store(nil)
			s.end(stopTimeout)
			return
		case <-s.exited:
		}
		c.server.Store(nil)
		c.log.Error("the private Postgres died; starting it again", "err", s.err, "lived", time.Since(born), "said", s.log.tail())
		if s = c.nextServer(time.Since(born)); s == nil {
			return
		}
		c.restarts.Add(1)
		c.log.Info("the private Postgres runs again", "pid", s.cmd.Process.Pid)
	}
}

// firstServer starts the server on a port of its own choice. Between the choice
// and the server's bind another program may take the port; then it chooses again.
func (c *Cluster) firstServer(ctx context.Context) (*server, error) {
	if err := c.configure(); err != nil {
		return nil, err
	}
	deadline := time.Now().Add(lingerPatience)
	for ports := 1; ; {
		var err error
		if c.endpoint.port, err = freePort(); err != nil {
			return nil, err
		}
		s, err := c.oneServer(ctx, true)
		var exit *exitError
		switch {
		case err == nil:
			return s, nil
		case !errors.As(err, &exit):
			return nil, err
		case exit.portTaken() && ports < firstPorts:
			ports++
		case exit.predecessorLingers() && time.Now().Before(deadline):
			c.endStragglers()
			if !pause(ctx, 200*time.Millisecond) {
				return nil, err
			}
		default:
			return nil, err
		}
	}
}

// nextServer starts the server again where it was, until that works or the cluster
// is stopped (nil). A port that another program took meanwhile is given up: the
// socket, by which the service connects, keeps its name.
func (c *Cluster) nextServer(lived time.Duration) *server {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-c.stopping:
			cancel()
		case <-ctx.Done():
		}
	}()
	wait := restartPauseMin
	if lived < restartPauseMax {
		wait = time.Second
	}
	withTCP := true
	for pause(ctx, wait) {
		c.endStragglers()
		s, err := c.oneServer(ctx, withTCP)
		if err == nil {
			return s
		}
		var exit *exitError
		withTCP = !errors.As(err, &exit) || !exit.portTaken()
		wait = min(2*wait, restartPauseMax)
		c.log.Error("the private Postgres does not start; trying again", "err", err, "in", wait)
	}
	return nil
}

// oneServer starts a process and waits until it is ready; it leaves none behind
// when it fails.
func (c *Cluster) oneServer(ctx context.Context, withTCP bool) (*server, error) {
	s, err := c.launch(withTCP)
	if err != nil {
		return nil, err
	}
	if err := c.awaitReady(ctx, s); err != nil {
		s.end(10 * time.Second)
		return nil, err
	}
	return s, nil
}
