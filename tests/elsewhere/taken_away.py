"""Names of the standard library that a system without POSIX does not have."""

MODULES = ("fcntl", "grp", "pty", "pwd", "resource", "termios", "tty")
SIGNALS = ("SIGALRM", "SIGCHLD", "SIGCONT", "SIGHUP", "SIGKILL", "SIGPIPE", "SIGQUIT", "SIGSTOP", "SIGTSTP")
SIGNALS += (
    "SIGTTIN",
    "SIGTTOU",
    "SIGUSR1",
    "SIGUSR2",
    "ITIMER_REAL",
    "setitimer",
    "getitimer",
    "pthread_kill",
    "pause",
)
FUNCTIONS = ("fork", "forkpty", "killpg", "mkfifo", "mknod", "openpty", "setsid", "sysconf")
