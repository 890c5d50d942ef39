// Package reference runs reference programs for tests: scipy, and C programs that are
// compiled against reference libraries. Where one is missing the test is skipped, or
// fails with BOOTHBENCH_REFERENCES=required.
package reference
