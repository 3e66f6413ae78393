// Package browse looks at pages in a real Chromium, for tests alone: whether anything sticks out of the screen, whether
// axe-core (the rules of WCAG 2.2 up to AA, and its best practices) finds anything, and what the browser complains of.
//
// SPILLWAY_CHROMIUM names the program; without it such tests are skipped. SPILLWAY_AXE names axe-core's axe.min.js, and
// SPILLWAY_SHOTS a folder that screenshots are left in. .ci/page sets them.
package browse
