package browsertest

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Browser is a tab of a Chromium of its own, which ends with the test.
type Browser struct {
	t   testing.TB
	ctx context.Context

	mu       sync.Mutex
	messages []string
	requests []string
	shown    string        // the page in the tab, which may still be loading
	awaited  string        // the page that closes there once it is loaded
	there    chan struct{} // nil while none is awaited
}

// limit is how long a browser may take for all that a test asks of it, on a busy machine.
const limit = 4 * time.Minute

// Start starts Chromium. Without one the test is skipped, or fails if KIST_TEST_REQUIRE=all.
func Start(t testing.TB) *Browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatalf("chromium is missing (Debian: chromium): %v", err)
		}
		t.Skip("chromium is missing")
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()), chromedp.NoSandbox, chromedp.DisableGPU, // root has no sandbox
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
	)
	ctx, stop := context.WithTimeout(context.Background(), limit)
	ctx, stopAllocating := chromedp.NewExecAllocator(ctx, o...)
	ctx, closeTab := chromedp.NewContext(ctx)
	t.Cleanup(func() {
		// Waits until it has ended, so that its folder can be removed.
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("ending chromium: %v", err)
		}
		closeTab()
		stopAllocating()
		stop()
	})
	b := &Browser{t: t, ctx: ctx}
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	Call(b, network.Enable, network.EnableParams{})
	Call(b, log.Enable, cdp.Empty{})
	Call(b, runtime.Enable, cdp.Empty{})
	return b
}

// hear notes what goes to the console, what is asked of the network, and which page is there.
func (b *Browser) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventConsoleAPICalled:
		text := string(e.Type)
		for _, arg := range e.Args {
			text += " " + string(arg.Value)
		}
		b.messages = append(b.messages, text)
	case *runtime.EventExceptionThrown:
		b.messages = append(b.messages, e.ExceptionDetails.Text)
	case *log.EventEntryAdded:
		b.messages = append(b.messages, e.Entry.Text+" "+e.Entry.URL)
	case *network.EventRequestWillBeSent:
		b.requests = append(b.requests, e.Request.URL)
	case *page.EventFrameNavigated:
		if e.Frame.ParentID == "" {
			b.shown = e.Frame.URL
		}
	case *page.EventLoadEventFired:
		if b.there != nil && b.shown == b.awaited {
			close(b.there)
			b.there = nil
		}
	}
}

// Call runs a command of the DevTools protocol. The test fails if that fails.
func Call[P, R any](b *Browser, command cdp.Command[P, R], params P) R {
	b.t.Helper()
	return Run(b, func(ctx context.Context, t *chromedp.Target) (R, error) { return cdp.Call(ctx, t, command, params) })
}

// Run does something in the tab. The test fails if that fails.
func Run[T any](b *Browser, action chromedp.Action[T]) T {
	b.t.Helper()
	got, err := chromedp.Run(b.ctx, action)
	if err != nil {
		b.t.Fatal(err)
	}
	return got
}

// Evaluate gives what a JavaScript expression gives.
func Evaluate[T any](b *Browser, expression string) T {
	b.t.Helper()
	return Run(b, chromedp.Evaluate[T](expression))
}

// Open loads a page.
func (b *Browser) Open(address string) {
	b.t.Helper()
	Run(b, chromedp.Navigate(address))
}

// OpenOnward loads a page that goes on by itself, and waits until the page is there that it goes on to.
func (b *Browser) OpenOnward(address, onward string) {
	b.t.Helper()
	b.await(onward, func() { Run(b, chromedp.Navigate(address)) })
}

// FollowOnward is Follow to a page that goes on by itself, and waits until the page is there that it goes on to.
func (b *Browser) FollowOnward(text, onward string) {
	b.t.Helper()
	b.await(onward, func() { b.Follow(text) })
}

// await does what leads to a page in the end, and waits until that page, asked for since, is loaded.
func (b *Browser) await(address string, lead func()) {
	b.t.Helper()
	there := make(chan struct{})
	b.mu.Lock()
	b.shown, b.awaited, b.there = "", address, there
	b.mu.Unlock()
	lead()
	select {
	case <-there:
	case <-b.ctx.Done():
		b.mu.Lock()
		defer b.mu.Unlock()
		b.t.Fatalf("waiting for %s, at %q: %v", address, b.shown, context.Cause(b.ctx))
	}
}

// Screen makes the tab as wide as that, in CSS pixels, and dark or light.
func (b *Browser) Screen(width int64, dark bool) {
	b.t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	Call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1, Mobile: width < 600})
	Call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

// Messages gives what went to the console so far.
func (b *Browser) Messages() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.messages...)
}

// Requests gives the addresses that were asked for so far.
func (b *Browser) Requests() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.requests...)
}

// Picture writes what the whole page looks like to a PNG file, for a person to look at.
func (b *Browser) Picture(file string) {
	b.t.Helper()
	png := Run(b, chromedp.FullScreenshot(100))
	if err := os.WriteFile(file, png, 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// Press presses keys, one after the other, as package kb of chromedp names them.
func (b *Browser) Press(keys string) {
	b.t.Helper()
	Run(b, chromedp.KeyEvent(keys))
}

// Accessible is what somebody hears of an element.
type Accessible struct{ Role, Name string }

// Accessible gives what a screen reader is told of, in the order of the page.
func (b *Browser) Accessible() (all []Accessible) {
	b.t.Helper()
	for _, n := range Call(b, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{}).Nodes {
		if n.Ignored || n.Role == nil {
			continue
		}
		all = append(all, Accessible{b.text(n.Role), b.text(n.Name)})
	}
	return all
}

func (b *Browser) text(v *accessibility.Value) (s string) {
	if v == nil || len(v.Value) == 0 {
		return ""
	}
	if err := json.Unmarshal(v.Value, &s); err != nil {
		b.t.Fatal(err)
	}
	return s
}

// Follow clicks the link or the button with a text, within the main part first, and waits for the page that it leads to.
func (b *Browser) Follow(text string) {
	b.t.Helper()
	mark := fmt.Sprintf(`(text => {
		document.querySelectorAll("[data-follow]").forEach(e => e.removeAttribute("data-follow"));
		const all = ["main a, main button", "a, button"].flatMap(where => Array.from(document.querySelectorAll(where))).filter(e => e.textContent.trim() === text);
		all.slice(0, 1).forEach(e => e.setAttribute("data-follow", ""));
		return all.length;
	})(%s)`, strconv.Quote(text))
	if n := Evaluate[int](b, mark); n == 0 {
		b.t.Fatalf("%s has no link or button %q", Evaluate[string](b, "location.href"), text)
	}
	if _, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS("[data-follow]"))); err != nil {
		b.t.Fatalf("following %q: %v", text, err)
	}
}
