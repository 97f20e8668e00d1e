// Package browsertest is a room of the program's tests: pages as a browser shows them.
//
// Its door is Start. It knows Chromium by the DevTools protocol (chromedp), and nothing of pages. The program does
// not import it.
package browsertest
