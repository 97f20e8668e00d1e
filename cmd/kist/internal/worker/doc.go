// Package worker has a process of its own do the work of a run, so that the process which a person or a service manager
// waits for can end. What waits in the operating system for a share that does not answer may be beyond any signal, and
// a process with such a thread does not end before the share answers (Linux, "D" in proc_pid_stat(5)).
//
// Both processes are this program. They have the same terminal, streams and process group. The first one passes
// interrupts on, gives the exit status that the worker tells, and does not wait for its end for more than a second. A
// second interrupt ends the first one, and that ends the worker as soon as anything can.
//
// The first one has nothing open on a share. So it starts the programs that the worker needs: a program that the worker
// started itself would wait, before it begins, for a share that does not answer, since closing a file there asks the share.
//
// It knows pipes, signals and processes, and nothing of what the work is.
package worker
