// Command boothbench processes and measures recorded voice.
package main

func main() {}
