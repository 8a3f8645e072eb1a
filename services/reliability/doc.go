// Package reliability turns what all shops recorded into failure modes and mean
// time between repair (MTBR), each with its interval and what it rests on.
//
// # What it owns
//
// No facts. Its tables hold what was derived from events, and a replay makes
// them anew: per spindle one packed row of facts (spindle), which spindle an
// order is about (work_order), numbers for ids and terms (dictionary), and which
// spindles each version touched (change). Intervals are not stored: they are
// folded from the facts by whoever reads, so that no stored interval can be of
// an older method than the program that answers.
//
// # In and out
//
// In: from intake customer, spindle_model, spindle, work_order, history_batch;
// from access shop. One process, the holder of the inbox's lease, writes. Every
// process follows the change log, woken by a nudge and each second, folds the
// spindles that changed, and swaps its snapshot: pages of dictionary-coded
// columns that never change, of which a new snapshot shares all that it need
// not touch. Out: QueryFailureModes, QueryMtbr, GetSpindleHistory. No events.
//
// # The fold
//
// A spindle's facts are ordered by (time it happened, entity, revision); a
// correction stands in the place of what it corrects. Then:
//
//   - The follow-up starts with the first return to service. A removal before it
//     counts among the failure modes, never in a rate.
//   - An interval runs from a return to service to the next removal, scrapping or
//     retirement. Its exposure is the difference of the meter readings
//     (spindle-on hours); the meter does not run on the bench, so that the
//     reading at the removal is that at the return.
//   - An interval still open ends at the last reading after the return, not
//     today. Without one it is silent: no exposure, and counted as silent.
//   - A removal with reason "preventive" cuts the life off; it is no failure.
//   - A warranty return whose failure mode is not known to differ from that of
//     the order it returns from is no new failure: the life goes on, both parts
//     count, and it is counted apart. With another mode it is a failure.
//   - Without a reading at the removal, or with readings that run backwards, the
//     exposure is unknown: the failure counts among the modes, and is left out
//     of numerator and denominator of rates alike. When only the reading at the
//     start is missing, the hours count from the first reading after it.
//   - One primary failure a repair is counted. A spindle that left unrepaired, or
//     was exchanged, is not followed until it next returns to service.
//
// A correction of an imported row is of the same spindle, as intake sees to; one
// that names another spindle's row would stand for itself.
//
// # Attribution
//
// The customer and shop of an interval are those at its start: the shop is the
// one that returned the spindle to service. Exposure, MTBR and the numerator of
// rates are attributed so. A failure count and its share are attributed to the
// customer who had the spindle, and the shop that received it, at the failure.
// The reach of a shop role or an integrator narrows each by its own rule. The
// model is the one on the spindle's latest record.
//
// A filter or group on what failed (mode, mechanism, cause, component, reason)
// leaves the exposure as it is: every hour was at risk of every failure.
//
// # Limits
//
// 65,535 different customers, models, shops or terms of a kind; an event that
// brings one more is parked. About 38 bytes an interval in memory: 31 in columns,
// the rest in sums by spindle, from which exposure is read. 40 bytes a fact in
// the store.
package reliability
