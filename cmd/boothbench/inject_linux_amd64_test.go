package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
)

// fault is what happens to one system call of a run: it fails with an error, or the
// process is killed as it begins.
type fault struct {
	at    int // which of the calls about files in the run's folder, from 1; 0: none
	errno func(name string) syscall.Errno
	kill  bool
}

// traced is a run of the command under a tracer.
type traced struct {
	code   int // -1: killed
	stderr string
	calls  int    // about files in the folder
	failed string // the call that was made to fail, "rename out.wav"
}

// fileCalls are the system calls of amd64 that are about files, and where each has its
// path or descriptor (linux/arch/x86/entry/syscalls/syscall_64.tbl).
var fileCalls = map[uint64]struct {
	name string
	path int // which argument is the path; -1: the first is a descriptor
}{
	0: {"read", -1}, 1: {"write", -1}, 3: {"close", -1}, 5: {"fstat", -1}, 9: {"mmap", -2}, 17: {"pread64", -1}, 18: {"pwrite64", -1},
	73: {"flock", -1}, 74: {"fsync", -1}, 77: {"ftruncate", -1}, 91: {"fchmod", -1}, 93: {"fchown", -1}, 217: {"getdents64", -1},
	82: {"rename", 0}, 83: {"mkdir", 0}, 86: {"link", 0}, 87: {"unlink", 0},
	257: {"openat", 1}, 258: {"mkdirat", 1}, 262: {"newfstatat", 1}, 263: {"unlinkat", 1}, 264: {"renameat", 1}, 265: {"linkat", 1}, 316: {"renameat2", 1},
}

// traceRun runs boothbench in a folder, with a fault.
func traceRun(t *testing.T, folder string, args []string, f fault) traced {
	t.Helper()
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	// What a thread traces only that thread may wait for.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	stderr, err := os.CreateTemp("", "stderr")
	if err != nil {
		t.Fatal(err)
	}
	defer os.Remove(stderr.Name())
	defer stderr.Close()
	null, err := os.OpenFile(os.DevNull, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer null.Close()
	process, err := os.StartProcess(program, append([]string{"boothbench"}, args...), &os.ProcAttr{
		Dir: folder, Env: os.Environ(), Files: []*os.File{null, null, stderr}, Sys: &syscall.SysProcAttr{Ptrace: true},
	})
	if err != nil {
		t.Skip("processes cannot be traced here:", err)
	}
	defer process.Release()
	r := traced{code: -1}
	tr := &tracer{pid: process.Pid, folder: folder, fault: f, result: &r, inside: map[int]bool{}, failing: map[int]syscall.Errno{}}
	if err := tr.run(); err != nil {
		syscall.Kill(process.Pid, syscall.SIGKILL)
		t.Fatal(err)
	}
	said, err := os.ReadFile(stderr.Name())
	if err != nil {
		t.Fatal(err)
	}
	r.stderr = string(said)
	return r
}

type tracer struct {
	pid     int
	folder  string
	fault   fault
	result  *traced
	inside  map[int]bool // threads that are in a system call
	failing map[int]syscall.Errno
}

const (
	ptraceExitKill = 0x100000   // PTRACE_O_EXITKILL
	ofThisThread   = 0x20000000 // __WNOTHREAD
	ofAllKinds     = 0x40000000 // __WALL
)

func (tr *tracer) run() error {
	var status syscall.WaitStatus
	if _, err := syscall.Wait4(tr.pid, &status, ofAllKinds, nil); err != nil {
		return err
	}
	if err := syscall.PtraceSetOptions(tr.pid, syscall.PTRACE_O_TRACESYSGOOD|syscall.PTRACE_O_TRACECLONE|ptraceExitKill); err != nil {
		return fmt.Errorf("PtraceSetOptions: %w", err)
	}
	if err := syscall.PtraceSyscall(tr.pid, 0); err != nil {
		return err
	}
	for {
		thread, err := syscall.Wait4(-1, &status, ofAllKinds|ofThisThread, nil)
		if err == syscall.EINTR {
			continue
		} else if err != nil {
			return fmt.Errorf("Wait4: %w", err)
		}
		if status.Exited() || status.Signaled() {
			if thread == tr.pid {
				if status.Exited() {
					tr.result.code = status.ExitStatus()
				}
				return nil
			}
			continue
		}
		pass := 0
		switch signal := status.StopSignal(); {
		case signal == syscall.SIGTRAP|0x80:
			tr.inside[thread] = !tr.inside[thread]
			if tr.inside[thread] {
				tr.enter(thread)
			} else if errno, ok := tr.failing[thread]; ok {
				delete(tr.failing, thread)
				tr.answer(thread, errno)
			}
		case signal == syscall.SIGTRAP || signal == syscall.SIGSTOP: // a new thread
		default:
			pass = int(signal)
		}
		syscall.PtraceSyscall(thread, pass) // fails for a thread that has just been killed
	}
}

// enter looks at a system call as it begins.
func (tr *tracer) enter(thread int) {
	var regs syscall.PtraceRegs
	if syscall.PtraceGetRegs(thread, &regs) != nil {
		return
	}
	call, known := fileCalls[regs.Orig_rax]
	if !known {
		return
	}
	what, ours := tr.subject(thread, call.path, &regs)
	if !ours {
		return
	}
	if tr.result.calls++; tr.result.calls != tr.fault.at {
		return
	}
	tr.result.failed = call.name + " " + what
	if tr.fault.kill {
		syscall.Kill(tr.pid, syscall.SIGKILL)
		return
	}
	tr.failing[thread] = tr.fault.errno(call.name)
	regs.Orig_rax = ^uint64(0) // no such call
	syscall.PtraceSetRegs(thread, &regs)
}

func (tr *tracer) answer(thread int, errno syscall.Errno) {
	var regs syscall.PtraceRegs
	if syscall.PtraceGetRegs(thread, &regs) == nil {
		regs.Rax = uint64(-int64(errno))
		syscall.PtraceSetRegs(thread, &regs)
	}
}

// subject is the file that a call is about, and whether it lies in the folder.
func (tr *tracer) subject(thread, path int, regs *syscall.PtraceRegs) (string, bool) {
	arguments := []uint64{regs.Rdi, regs.Rsi, regs.Rdx, regs.R10, regs.R8}
	if path >= 0 {
		text := make([]byte, 512)
		n, _ := syscall.PtracePeekData(thread, uintptr(arguments[path]), text)
		end := bytes.IndexByte(text[:n], 0)
		if end < 0 {
			return "", false
		}
		name := string(text[:end])
		return name, !filepath.IsAbs(name) && name != "" || strings.HasPrefix(name, tr.folder)
	}
	fd := int32(arguments[0])
	if path == -2 { // of mmap
		fd = int32(arguments[4])
	}
	if fd < 3 {
		return "", false
	}
	name, err := os.Readlink(fmt.Sprintf("/proc/%d/fd/%d", tr.pid, fd))
	return filepath.Base(name), err == nil && strings.HasPrefix(name, tr.folder)
}
