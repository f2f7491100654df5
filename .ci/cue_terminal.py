#!/usr/bin/env python3
"""`assize cue` in a real terminal: a pseudo-terminal whose screen is kept, keys typed into it, processes killed.

Usage: python3 .ci/cue_terminal.py target/release/assize [--show]

Says what went wrong and exits with 1: the screen is drawn and follows the keys, the terminal is as it was afterwards (its
modes, its main screen, its cursor), beeps come in the last seconds, a dumb terminal gets lines without a single escape,
and a process that is killed leaves every mark whole.
"""
import os, pty, re, select, signal, struct, sys, tempfile, termios, time, fcntl

assize, show = os.path.abspath(sys.argv[1]), "--show" in sys.argv
protocol = """assize: 1
title: Two short sprints
revision: "1"
phases:
  - phase: warm-up
    drill: free
    lasts: 4..5 s
  - phase: sprints
    drill: sprint
    repeat: 2
    effort: at least 300 W
    lasts: 4..5 s
    recover: 4..5 s
"""
wrong = []


def expect(holds, what):
    if not holds:
        wrong.append(what)
        print("WRONG:", what)


class Terminal:
    """A child in a pseudo-terminal of a size; `seen` is all that it wrote."""

    def __init__(self, args, term, size=(24, 80), **env):
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.environ.update({"TERM": term, "LC_ALL": "C.UTF-8", "NO_COLOR": "1", **env})
            os.execv(assize, [assize, *args])
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", *size, 0, 0))
        self.before = termios.tcgetattr(self.fd)
        self.seen, self.size = b"", size

    def wait(self, seconds):
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if select.select([self.fd], [], [], left)[0]:
                try:
                    got = os.read(self.fd, 65536)
                except OSError:
                    return
                if not got:
                    return
                self.seen += got

    def until(self, text, seconds=10):
        end = time.monotonic() + seconds
        while text not in self.picture() and text.encode() not in self.seen and time.monotonic() < end:
            self.wait(0.1)
        return text in self.picture() or text.encode() in self.seen

    def type(self, keys, seconds=0.5):
        os.write(self.fd, keys.encode())
        self.wait(seconds)

    def picture(self):
        """The screen as those escapes leave it that a full-screen program needs."""
        rows, columns = self.size
        screen, at = [[" "] * columns for _ in range(rows)], [0, 0]
        for move, row, column, mode, other, char in re.findall(
            r"(\x1b\[(\d*);?(\d*)H)|\x1b\[(\??[\d;]*[A-GI-Za-z])|(\x1b.)|([^\x1b])", self.seen.decode(errors="replace")
        ):
            if move:
                at = [int(row or 1) - 1, int(column or 1) - 1]
            elif mode == "2J":
                screen = [[" "] * columns for _ in range(rows)]
            elif mode in ("K", "0K") and at[0] < rows:
                screen[at[0]][at[1]:] = [" "] * (columns - at[1])
            elif char == "\r":
                at[1] = 0
            elif char == "\n":
                at[0] = min(at[0] + 1, rows - 1)
            elif char and char >= " " and at[0] < rows and at[1] < columns:
                screen[at[0]][at[1]] = char
                at[1] += 1
        return "\n".join("".join(row).rstrip() for row in screen)

    def end(self):
        self.wait(1)
        after = termios.tcgetattr(self.fd)
        _, status = os.waitpid(self.pid, 0)
        return after, os.waitstatus_to_exitcode(status)


def whole(marks):
    lines = open(marks, encoding="utf-8").read()
    return lines.endswith("}\n") and all(l.startswith("- {") and l.endswith("}") for l in lines.splitlines()[1:])


with tempfile.TemporaryDirectory() as folder:
    file, marks = os.path.join(folder, "p.yaml"), os.path.join(folder, "marks.yaml")
    open(file, "w").write(protocol)
    args = ["cue", file, "--marks", marks]

    # A session with keys, to its end.
    t = Terminal(args, "xterm")
    expect(t.until("SPACE begins"), "the first screen is drawn")
    if show:
        print(t.picture())
    t.type(" ", 1)
    expect("WARM UP" in t.picture() or "NEXT" in t.picture(), "it begins")
    if show:
        print(t.picture())
    t.wait(5)
    expect("SPRINT" in t.picture(), "the countdown leads to the sprint")
    expect(t.seen.count(b"\x07") >= 3, f"three beeps, heard {t.seen.count(bytes([7]))}")
    t.type("s")
    expect("is spoiled" in t.picture(), "S is told")
    t.type("s")
    expect("not spoiled" in t.picture(), "S takes it back")
    t.type("p")
    expect("PAUSED" in t.picture(), "P is told")
    t.type("p")
    t.type("q")
    expect("STOP THE SESSION?" in t.picture(), "Q asks")
    if show:
        print(t.picture())
    t.type("x")
    expect("STOP THE SESSION?" not in t.picture(), "any other key goes on")
    t.type("q")
    t.type("y")
    after, code = t.end()
    expect(code == 0, f"exit code 0 after Q and Y, got {code}")
    expect(after == t.before, "the terminal's modes are as before")
    expect(t.seen.count(b"\x1b[?1049h") == 1 and t.seen.count(b"\x1b[?1049l") == 1, "the other screen is left")
    expect(t.seen.rfind(b"\x1b[?25h") > t.seen.rfind(b"\x1b[?25l"), "the cursor shows again")
    expect(b"marks: marks.yaml" in t.seen[t.seen.rfind(b"\x1b[?1049l"):], "the last words are on the main screen")
    expect(whole(marks), "each mark is whole")

    # What is there is asked about; going on; Ctrl-C twice.
    t = Terminal(args, "xterm")
    expect(t.until("go on from there?") or t.until("y: go on"), "it offers to go on")
    t.type("y\r", 1)
    expect("SPACE goes on" in t.picture(), "it goes on")
    if show:
        print(t.picture())
    t.type(" ", 1)
    t.type("\x03")
    expect("STOP THE SESSION?" in t.picture(), "Ctrl-C asks")
    t.type("\x03")
    after, code = t.end()
    expect(code == 0 and after == t.before, f"Ctrl-C twice leaves the terminal as it was, exit code {code}")
    expect(whole(marks), "each mark is whole")
    size = os.path.getsize(marks)

    # Anew, beside it; killed in the middle.
    t = Terminal(args, "xterm")
    t.until("begin anew")
    t.type("n\r", 1)
    t.type(" ", 6)
    os.kill(t.pid, signal.SIGKILL)
    os.waitpid(t.pid, 0)
    second = os.path.join(folder, "marks-2.yaml")
    expect(os.path.getsize(marks) == size, "what was there is as it was")
    expect(whole(second) and "sprints/1" in open(second).read(), "after kill -9 every mark is whole")

    # A dumb terminal.
    dumb = os.path.join(folder, "dumb.yaml")
    t = Terminal(["cue", file, "--marks", dumb, "--silent"], "dumb", LC_ALL="C")
    expect(t.until("READY? SPACE begins"), "lines in a dumb terminal")
    expect(b"can injure" in t.seen and b"S spoiled" in t.seen, "cautions and keys are told there too")
    t.type(" ", 6)
    t.type("q")
    t.type("y")
    after, code = t.end()
    if show:
        print(t.seen.decode())
    expect(b"\x1b" not in t.seen and b"\x07" not in t.seen and all(b < 128 for b in t.seen), "no escape, beep or letter but ASCII")
    expect(b"SPRINT" in t.seen and code == 0 and after == t.before, "and it works there")

    # A tiny one, made larger.
    tiny = os.path.join(folder, "tiny.yaml")
    t = Terminal(["cue", file, "--marks", tiny], "xterm", size=(5, 20))
    t.wait(1)
    t.type("   ", 1)
    expect("larger" in t.picture() and "WARM UP" not in t.picture(), "where cautions can't be read nothing begins")
    t.size = (40, 120)
    fcntl.ioctl(t.fd, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    os.kill(t.pid, signal.SIGWINCH)
    t.wait(1)
    expect("can injure" in t.picture() and "SPACE begins" in t.picture(), "a screen that grows shows the cautions")
    t.type(" ", 1)
    expect("WARM UP" in t.picture() and "SPACE next" in t.picture(), "and then it begins")
    if show:
        print(t.picture())
    t.type("q")
    t.type("y")
    _, code = t.end()
    expect(code == 0, "and left")

print(f"cue in a terminal: {len(wrong)} wrong")
sys.exit(bool(wrong))
