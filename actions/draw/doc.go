// Package draw draws a plan as SVG: a switching schedule over a load profile, as an electrical engineer would lay it out.
// Each window, or group of windows that overlap, is one panel: a lane for each device with a trace for each point that
// steps, a numbered balloon at each step, the stacked power of the devices against the supply's limit, and the schedule
// in words below. A year of windows is drawn as bars by month ([YearSVG]).
//
// It is pure: the same arguments give the same bytes. The drawing is for people who cannot tell colours apart as well
// (each device has its own hatching), for dark and light surroundings (prefers-color-scheme), and for those who listen:
// its title and desc say what it shows. Whatever text comes from outside is escaped. It holds no script, no style
// attribute and nothing that a strict content security policy would refuse but the style element, which can be left out.
package draw
