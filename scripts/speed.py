"""Measures the whole program: start-up, size, cores, memory, first results, reruns. Needs Pillow.

    cargo build --release && python3 scripts/speed.py [--program target/release/breakface] [--peer "COMMAND {pictures} {ends}"]

Every figure that is compared is a ratio of two taken in this run. `--only turns` compares whole programs on the same pictures, in
turns: this build, others (`--other`) and any other program for the same job (`--peer`, given a folder and a table to write).
Elsewhere the smallest of several repeats counts, since whatever else the machine does only adds time.
"""

import argparse
import json
import os
import resource
import shlex
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
DEMO = sorted((ROOT / "fixtures" / "demo").glob("*.jpg"))
RENDERED = sorted((ROOT / "fixtures" / "rendered").glob("*.jpg"))


def run(command, **more):
    """Wall time in s, peak memory in MB, standard output."""
    start = time.perf_counter()
    with tempfile.TemporaryFile() as out:
        child = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL, **more)
        _, status, usage = os.wait4(child.pid, 0)
        wall = time.perf_counter() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        return wall, usage.ru_maxrss / 1024, out.read().decode()


def copies(sources, n, folder):
    """n picture files, no two with the same bytes, so that none is kept from another."""
    folder.mkdir()
    table = ["image,specimen,um_per_px"]
    for i in range(n):
        source = sources[i % len(sources)]
        # A comment at the end of a JPEG changes its bytes and nothing else.
        (folder / f"{i:05}.jpg").write_bytes(source.read_bytes() + f"copy {i}".encode())
        truth = source.with_suffix(".json")
        scale = json.loads(truth.read_text()).get("um_per_px", "") if truth.is_file() else ""
        table.append(f"{i:05}.jpg,S{i // 5},{scale}")
    (folder / "series.csv").write_text("\n".join(table) + "\n")
    return folder


def small(n, folder):
    """n pictures of 160 x 120 px, cut from the bundled ones."""
    folder.mkdir()
    whole = [Image.open(p).convert("L") for p in RENDERED]
    for i in range(n):
        x, y = (37 * i) % 1400, (53 * i) % 1050
        whole[i % len(whole)].crop((x, y, x + 160, y + 120)).save(folder / f"{i:05}.png")
    return folder


def report(what, value, wanted=""):
    print(f"| {what} | {value} | {wanted} |", flush=True)


def startup(program, work):
    (work / "empty").mkdir()
    for name, arguments in {
        "help": ["--help"],
        "version": ["--version"],
        "empty folder": ["classify", str(work / "empty"), "--out", str(work / "nothing")],
    }.items():
        best = min(run([program, *arguments])[0] for _ in range(20))
        report(f"start-up, {name}", f"{best * 1000:.1f} ms", "under 20 ms")
    report("size of the program", f"{os.path.getsize(program) / 1e6:.1f} MB", "under 30 MB")


def classify(program, pictures, out, *more, cores=None):
    command = [program, "classify", str(pictures), "--out", str(out), "--quiet", "--no-report", *more]
    pin = ["taskset", "-c", cores] if cores else []
    return run([*pin, *command])


def sources(folder):
    return sorted(folder.glob("*.jpg")) if folder else DEMO + RENDERED


def cores(program, work, n, repeats, of):
    pictures = copies(of, n, work / "cores")
    one, two = [], []
    for _ in range(repeats):
        one.append(classify(program, pictures, work / "r1", "--threads", "1", "--force", cores="0")[0])
        two.append(classify(program, pictures, work / "r2", "--threads", "2", "--force", cores="0,1")[0])
    report(f"{n} pictures, 1 core", f"{min(one):.1f} s ({min(one) / n:.3f} s a picture)")
    report(f"{n} pictures, 2 cores", f"{min(two):.1f} s")
    report("2 cores over 1 core", f"{min(one) / min(two):.2f}", "at least 1.85")
    bare = min(
        classify(program, pictures, work / "r3", "--threads", "2", "--force", "--no-overlays")[0] for _ in range(repeats)
    )
    report("share of the overlays in that time", f"{100 * (1 - bare / min(two)):.0f} %")
    return pictures, min(two)


def memory(program, work, few, many):
    peaks, times = [], []
    for n in (few, many):
        pictures = small(n, work / f"small{n}")
        wall, peak, _ = classify(program, pictures, work / f"rs{n}", "--threads", "2", "--no-overlays")
        peaks.append(peak)
        times.append(wall / n)
    report(f"peak memory, {few} and {many} small pictures", f"{peaks[0]:.0f} and {peaks[1]:.0f} MB", "the same")
    report(f"time a picture, {many} over {few}", f"{times[1] / times[0]:.2f}", "1 (linear)")
    folder = work / "large"
    folder.mkdir()
    for i, path in enumerate(RENDERED):
        Image.open(path).convert("RGB").resize((4000, 3000), Image.Resampling.BICUBIC).save(folder / f"{i}.jpg")
    wall, peak, _ = classify(program, folder, work / "rl", "--threads", "2")
    report(f"peak memory, {len(RENDERED)} pictures of 12 MP, two threads", f"{peak:.0f} MB", "under 700 MB")
    report("12 MP pictures", f"{wall / len(RENDERED):.2f} s each")


def reruns(program, work, pictures, first):
    out = work / "again"
    start = time.perf_counter()
    command = [program, "classify", str(pictures), "--out", str(out), "--json", "--no-report"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        seen = next(time.perf_counter() - start for line in child.stdout if json.loads(line)["type"] == "done")
        child.stdout.read()
    report("first result", f"{seen:.2f} s", "within 0.5 s")
    nothing = min(classify(program, pictures, out)[0] for _ in range(3))
    report("run again, nothing changed", f"{nothing:.2f} s ({100 * nothing / first:.1f} % of the run)")
    one = sorted(pictures.glob("*.jpg"))[0]
    one.write_bytes(one.read_bytes() + b"changed")
    wall, _, said = run([*command])
    kept = said.count('"kept":true')
    done = said.count('"type":"done"')
    report("run again, one picture changed", f"{wall:.2f} s, {done - kept} of {done} done anew", "1 done anew")


def stages(program, work, repeats):
    """Seconds by stage on one thread; at 20 megapixels the same fields as a larger camera would show them."""
    print("\n| view | MP | decode and one pass | read | find | measure | label | write | ends | peak MB |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    for view, what in [("teased_sem", "teased"), ("tuft_ring", "tuft"), ("close_backlit", "close-up")]:
        source = ROOT / "fixtures" / "rendered" / f"{view}.jpg"
        scale = json.loads(source.with_suffix(".json").read_text())["um_per_px"]
        for megapixels, factor in ((2, 1), (20, 3.225)):
            folder = work / f"{view}{megapixels}"
            folder.mkdir()
            file = folder / "p.jpg"
            file.write_bytes(source.read_bytes())
            if factor != 1:
                whole = Image.open(source)
                size = tuple(round(n * factor) for n in whole.size)
                whole.resize(size, Image.Resampling.BICUBIC).save(file, quality=92)
            floor = []
            for _ in range(5):
                start = time.perf_counter()
                Image.open(file).convert("L").histogram()
                floor.append(time.perf_counter() - start)
            best, peak = None, 0
            for _ in range(repeats):
                out = work / f"{view}{megapixels}.out"
                more = ["--threads", "1", "--force", "--um-per-px", str(scale / factor)]
                _, peak, _ = classify(program, folder, out, *more, cores="0")
                took = json.loads((out / "run.json").read_text())["stage_s"]
                best = min(best or took, took, key=lambda s: sum(s.values()))
            ends = (out / "ends.csv").read_bytes().count(b"\n") - 1
            cells = [f"{best[k]:.2f}" for k in ("read", "detect", "measure", "label", "write")]
            print(f"| {what} | {megapixels} | {min(floor):.3f} | {' | '.join(cells)} | {ends} | {peak:.0f} |", flush=True)
    print()


def turns(programs, peers, pictures, work, n):
    """Programs in turns on the same pictures, each with both cores: medians of wall and processor time."""
    out = work / "turns"
    commands = {}
    for program in programs:
        commands[program] = [program, "classify", str(pictures), "--out", str(out), "--quiet", "--no-report", "--threads", "2", "--force"]
    for command in peers:
        full = command.format(pictures=shlex.quote(str(pictures)), ends=shlex.quote(str(work / "peer.csv")))
        commands[command] = ["bash", "-c", full]
    took = {name: [] for name in commands}
    for _ in range(n):
        for name, command in commands.items():
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            wall = run(command)[0]
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            took[name].append((wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime))
    count = len(list(Path(pictures).glob("*.jpg")))
    first = statistics.median(w for w, _ in took[programs[0]])
    print(f"\n| {count} pictures, both cores, medians of {n} turns | s | s from the least to the most | processor s | pictures a second | as long as {Path(programs[0]).name} |")
    print("|---|---|---|---|---|---|")
    for name, times in took.items():
        walls = sorted(w for w, _ in times)
        middle = statistics.median(walls)
        cells = [f"{middle:.1f}", f"{walls[0]:.1f} to {walls[-1]:.1f}", f"{statistics.median(c for _, c in times):.1f}", f"{count / middle:.2f}", f"{middle / first:.2f}"]
        print(f"| {name} | {' | '.join(cells)} |", flush=True)
    print()


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--program", default=str(ROOT / "target" / "release" / "breakface"))
    parser.add_argument("--other", nargs="*", default=[], help="further builds to compare with")
    parser.add_argument("--peer", nargs="*", default=[], help="other programs for the same job, as commands with {pictures} and {ends}")
    parser.add_argument("--turns", type=int, default=5, help="how often each of the compared programs runs")
    parser.add_argument("--pictures", type=int, default=40)
    parser.add_argument("--sources", type=Path, help="folder of pictures to copy, instead of the bundled ones")
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--small", type=int, nargs=2, default=(200, 2000))
    parser.add_argument("--only", default="startup,cores,memory,reruns,turns,stages")
    args = parser.parse_args()
    only = args.only.split(",")
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores", file=sys.stderr)
    print("| what | measured | wanted |\n|---|---|---|")
    with tempfile.TemporaryDirectory() as work:
        work = Path(work)
        if "startup" in only:
            startup(args.program, work)
        if "cores" in only:
            pictures, first = cores(args.program, work, args.pictures, args.repeats, sources(args.sources))
            if "reruns" in only:
                reruns(args.program, work, pictures, first)
        if "turns" in only:
            pictures = copies(sources(args.sources), args.pictures, work / "same")
            turns([args.program, *args.other], args.peer, pictures, work, args.turns)
        if "stages" in only:
            stages(args.program, work, args.repeats)
        if "memory" in only:
            memory(args.program, work, *args.small)
    print(f"load after: {os.getloadavg()[0]:.1f}", file=sys.stderr)


if __name__ == "__main__":
    main()
