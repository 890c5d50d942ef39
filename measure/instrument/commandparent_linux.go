package instrument

import "syscall"

// endWithParent has the system end the command when this process ends, even if it is killed.
func endWithParent(attributes *syscall.SysProcAttr) { attributes.Pdeathsig = syscall.SIGKILL }
