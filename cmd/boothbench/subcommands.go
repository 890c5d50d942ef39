package main

import "strings"

// verbStep is one step of a verb that has several, such as "plan" of "season plan".
type verbStep struct {
	name string
	run  func(env, []string) error
}

// runStep runs the step of a verb that the first argument names. Without a known step the
// error lists the steps.
func runStep(e env, verb, usage string, steps []verbStep, args []string) error {
	names := make([]string, len(steps))
	for i, s := range steps {
		if len(args) > 0 && args[0] == s.name {
			return s.run(e, args[1:])
		}
		names[i] = s.name
	}
	f := e.flags(verb, usage)
	if err := parse(f, args); err != nil {
		return err
	}
	accepted := strings.Join(names, ", ")
	if f.NArg() == 0 {
		return usageError("no step named; accepted: %s", accepted)
	}
	return usageError("found the step %q%s; accepted: %s", f.Arg(0), didYouMean(f.Arg(0), names), accepted)
}
