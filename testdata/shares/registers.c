/*
 * For user-mode Linux on a processor with AMX, loaded before the C library (LD_PRELOAD).
 *
 * Debian's kernel hands the registers of its processes to ptrace(2) in a buffer of fixed length, shorter than what such a
 * processor has, and the host refuses a part (EFAULT). So the part is put over all that the process has, and that is set.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <elf.h>
#include <stdarg.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/uio.h>

typedef long tracer(enum __ptrace_request, ...);

static char registers[1 << 16] __attribute__((aligned(64))); /* who calls is one thread */

long ptrace(enum __ptrace_request request, ...)
{
	tracer *next = (tracer *)dlsym(RTLD_NEXT, "ptrace");
	va_list arguments;
	va_start(arguments, request);
	long process = va_arg(arguments, long);
	void *kind = va_arg(arguments, void *);
	void *data = va_arg(arguments, void *);
	va_end(arguments);

	struct iovec all = {registers, sizeof registers};
	if (request == PTRACE_SETREGSET && (long)kind == NT_X86_XSTATE) {
		struct iovec *part = data;
		if (next(PTRACE_GETREGSET, process, kind, &all) == 0 && part->iov_len < all.iov_len) {
			memcpy(registers, part->iov_base, part->iov_len);
			data = &all;
		}
	}
	return next(request, process, kind, data);
}
