// Package season runs many takes through one chain, on one machine or on the nodes of a
// scheduler that is there already.
//
// [NewPlan] writes a manifest: the chain, the options that decide the bytes, and the
// takes. [Plan.Run] makes the outputs of one share of them, in any order, any number of
// times, on any machine: there is no coordinator, no lock and no database. Next to every
// output lies a receipt, which is published after it (see package receipt): the receipt is
// the commit, and what it records is not done again. [Plan.Gather] makes one table
// of all takes.
//
// The outputs have the same bytes whatever the shares, their order, retries and kills.
package season
