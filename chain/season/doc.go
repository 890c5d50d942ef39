// Package season runs many takes through one chain, on one machine or on the nodes of an
// existing scheduler.
//
// [NewPlan] writes a manifest: the chain, the options on which the bytes depend, and the takes.
// [Plan.Run] makes the outputs of one share of them, in any order, any number of times, on any
// machine: there is no coordinator, no lock and no database. Every output has a receipt beside
// it, published after the output (see package receipt). The receipt is the commit: work with a
// valid receipt is not done again. [Plan.Gather] makes one table of all takes.
//
// The bytes of the outputs do not depend on the shares, their order, retries or kills.
package season
