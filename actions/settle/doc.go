// Package settle works out what a window was worth: what the meter showed, what it would have shown (the baseline), the
// gain between the two, and the credit that should follow. It is pure: meter data, windows and terms in, figures out.
//
// Energies are exact rationals from the file to the printed figure; only what is printed is rounded, half-even: energies to
// twelve decimals of a kWh, the credit once, over the window, to the currency's minor unit (ISO 4217).
//
// Baselines, and where each is published:
//
//   - Like days, all of them: the mean of each interval over the newest X days of the same kind ("10 of 10"; CAISO Baseline
//     Accuracy Work Group Proposal, 4 April 2017; AEMO's register of baseline methodologies; Elexon, Baselining Methodology
//     Document, for GB).
//   - Like days, the highest, middle or lowest X of Y by their energy in the window ("high 5 of 10", "mid 6 of 10"; NAESB
//     WEQ-015, Baseline Type-I, from memory; the middle form from second-hand accounts of the Korean market rules).
//   - Same-day adjustment: a flat amount (Elexon, as above) or a factor within a cap (CAISO, as above: within 20 %), or one
//     that never lowers the baseline (baseline adjustment clause of the Flexibility Services Standard Agreement).
//   - The same day around the window (PJM's "Same Day (3+2)"; NAESB WEQ-015, Meter Before / Meter After, from memory).
//   - A fixed figure for each interval (NAESB WEQ-015, Maximum Base Load, from memory), and the supplier's own figures.
//
// Decisions, where the contract leaves room:
//
//   - Days are those of the premises' zone. A window's day is the local date of its start; its kind decides which days
//     are like it, also for what lies after midnight.
//   - A slot is an interval of the meter cut to the window: its start and end are the window's where the window cuts it, its
//     metered, baseline and gain are the share by time. Like days are ranked by the same shares.
//   - Intervals are matched by the local clock time of their start and last as long as on the window's day. So on a spring
//     change the skipped hour of the like days is passed over, and on an autumn change the repeated hour is compared with the
//     same hour of the like days twice.
//   - A day is out where any part of another window touches it, whatever the procedure, where its local date is not 24 hours
//     long, where any part of it has no reading, or where an event of the leave-out feed touches it.
//     These rules look at the like day itself. What an interval after midnight takes from the next date only has to be
//     there: no gap, no other window in those very intervals, and a clock time that comes once.
//   - Fewest counts the like days found, before any are picked. With fewer, the days found are listed and there is no figure.
//   - Middle drops from the order lowest first, ties newer first.
//   - The adjustment compares elapsed time; its like-day side is the mean over the days kept, matched by local clock time as
//     the window is. Partial intervals count by time on both sides, and the added amount is by time too: a window's part of
//     an interval gets its share. "Zero baseline" stops add as it does scale, and so does one below zero (a meter that nets).
//     The baseline is held at zero or above after the adjustment, interval by interval.
//   - A gap makes its own slots null and the window's gain and credit; the other slots keep their figures. Slots inside a gap
//     lie on the grid of the reading before it.
//   - Gains shown per slot are those that count: with floor per interval none is below zero, and they add up to the window's.
//   - Without a floor a credit may be below zero: it is shown so.
//   - Terms apply from the local midnight of `since` to windows that start then or later.
//   - credit_after is elapsed time from the window's end. Difference is what came less what was expected.
//   - What the devices' own readings say ([MadeBy]) explains a gain and goes into no sum. An [Outlook] leaves the same-day
//     adjustment out, since the day's use is not known yet; what the plan itself does to it is an [Influence].
//   - A year's sums ([Months]) leave out of each sum what is not known of a window, and count such windows.
//   - The likely range is that between the tenth and the ninetieth of a hundred of the gains which the averaged days would
//     make, were each of them the baseline by itself.
package settle
