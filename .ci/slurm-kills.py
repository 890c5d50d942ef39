#!/usr/bin/env python3
"""slurm-kills.py FOLDER TAKE.wav CHAIN.toml

A season of 1,000 takes in 20 shares on the Slurm that is running, while 200 of its
processes are killed (SIGKILL) at random moments, spread over the whole season. The whole
array is submitted again until all takes are done. Called by .ci/slurm, which has put the
program into FOLDER.
"""
import os, random, subprocess, sys, time, wave

folder, source, chain = sys.argv[1:]
program = os.path.join(folder, "boothbench")
takes, kills = 1000, 200
rng = random.Random(16)
begun = time.time()


def cut_takes():
    """Takes of log-normal length, as a season has them, from other places of one take."""
    with wave.open(source) as w:
        params, sound = w.getparams(), w.readframes(w.getnframes())
    frame = params.sampwidth * params.nchannels
    for i in range(takes):
        length = int(min(10, 0.7 * 2.718 ** rng.gauss(0, 0.8)) * params.framerate)
        at = rng.randrange(params.nframes)
        part = (sound[at * frame:] + sound * (length // params.nframes + 1))[: length * frame]
        path = f"takes/ep{i % 40:02}/take{i:04}.wav"
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with wave.open(path, "wb") as w:
            w.setparams(params._replace(nframes=length))
            w.writeframes(part)


def done_and_bare():
    """How many takes have a receipt, and those whose receipt has no output."""
    done, bare = 0, []
    for name in os.listdir("season"):
        receipts = os.path.join("season", name, ".receipts")
        if not os.path.isdir(receipts):
            continue
        for r in os.listdir(receipts):
            if r.endswith(".json") and not r.startswith("."):
                done += 1
                if not os.path.exists(os.path.join("season", name, r[: -len(".json")])):
                    bare.append(os.path.join(receipts, r))
    return done, bare


def running():
    """The processes of this trial's own program that run a share."""
    for pid in filter(str.isdigit, os.listdir("/proc")):
        try:
            if os.readlink(f"/proc/{pid}/exe") == program and b"run" in open(f"/proc/{pid}/cmdline", "rb").read().split(b"\0"):
                yield int(pid)
        except OSError:
            pass


def kill_one():
    victims = list(running())
    if not victims:
        return 0
    try:
        os.kill(rng.choice(victims), 9)
    except OSError:
        return 0
    return 1


def queued():
    return subprocess.run(["squeue", "-h"], stdout=subprocess.PIPE).stdout.strip() != b""


os.chdir(folder)
cut_takes()
plan = [program, "season", "plan", "takes", "--chain", chain, "--quiet", "--out-dir"]
subprocess.check_call(plan + ["alone"])
subprocess.check_call([program, "season", "run", "alone", "--quiet"])
subprocess.check_call(plan + ["season", "--shares", "20"])
print(f"1,000 takes made without Slurm after {time.time() - begun:.0f} s", flush=True)

killed = rounds = left = 0
seen = []  # takes that were done at each kill
while killed < kills or done_and_bare()[0] < takes:
    if rounds == 60:
        sys.exit(f"{killed} kills, {done_and_bare()[0]} takes done after {rounds} submissions")
    rounds += 1
    # --again: three kills may fall on one take, which is not its fault.
    run = "exec boothbench season run season --again --jobs 1 --quiet --share $SLURM_ARRAY_TASK_ID/20"
    subprocess.check_call(["sbatch", "--parsable", "--output=/dev/null", "--array=1-20", "--wrap", run], stdout=subprocess.DEVNULL)
    looked = 0
    while True:
        done, bare = done_and_bare()
        if bare:
            sys.exit(f"receipts without an output: {bare}")
        # The kills keep pace with the takes, so that they fall on all of the season.
        if killed < kills and done >= takes * killed // (kills + 10):
            time.sleep(rng.uniform(0, 0.02))
            if kill_one():
                killed += 1
                seen.append(done)
        time.sleep(0.01)
        if time.time() - looked > 0.5:
            looked = time.time()
            if not queued():
                break
partials = sum(".partial-" in name for _, _, names in os.walk("season") for name in names)
print(f"{killed} kills in {rounds} submissions, from the first with {seen[0]} takes done to the last with {seen[-1]}; {partials} partial files; {time.time() - begun:.0f} s", flush=True)

gather = subprocess.run([program, "season", "gather", "season", "--verify"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
print(gather.stdout.strip().splitlines()[-1])
if gather.returncode != 0 or gather.stderr.count("it is removed") != partials:
    sys.exit(f"gather, code {gather.returncode}: {gather.stderr}")
for base, _, names in os.walk("season"):
    for name in names:
        if ".partial-" in name or name.endswith(".attempts"):
            sys.exit(f"left behind: {os.path.join(base, name)}")
same = 0
for base, folders, names in os.walk("alone"):
    folders[:] = [f for f in folders if not f.startswith(".")]
    for name in filter(lambda n: n.endswith(".wav"), names):
        path = os.path.join(base, name)
        other = os.path.join("season", os.path.relpath(path, "alone"))
        if open(path, "rb").read() != open(other, "rb").read():
            sys.exit(f"{other} has other bytes than {path}")
        same += 1
if same != takes:
    sys.exit(f"{same} outputs, want {takes}")
print(f"{same} of {takes} takes have the bytes of the undisturbed run, and no partial file is left; {time.time() - begun:.0f} s")
