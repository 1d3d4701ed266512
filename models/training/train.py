"""Train the segmenter: one command, on every GPU there is, or on the CPU.

    python train.py --photos photos.zip --grounds grounds.zip --out OUT --minutes 25

Time, not steps, sets the schedule: the learning rate falls along a half cosine over the minutes given.
`--stop-after` ends a run early and `--resume` goes on
from OUT/state.pt on the same schedule, where a machine is lent in pieces. `--start` begins from other
weights, an encoder's alone too.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import time
from pathlib import Path
from typing import Any

import torch
import torch.distributed as dist
import torch.nn.functional as F
from materials import Library
from net import Segmenter, start_from
from scenes import Scenes


def loss_of(logit: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    """Cross entropy that weighs the metal's edge, overlap (1 - soft IoU) of each picture that shows metal,
    and cross entropy of what is foreign.

    logit (b, 2, h, w); target (b, 4, h, w) as `scenes` lays it out.
    """
    metal, counts, foreign, sure = target.split(1, 1)
    edge = F.max_pool2d(metal, 5, 1, 2) + F.max_pool2d(-metal, 5, 1, 2)
    ce = F.binary_cross_entropy_with_logits(
        logit[:, :1], metal, weight=counts * (1 + 4 * edge), reduction="none"
    ).mean()
    p = (torch.sigmoid(logit[:, :1]) * counts).flatten(1)
    t = (metal * counts).flatten(1)
    inter = (p * t).sum(1)
    union = (p + t - p * t).sum(1)
    has = (t.sum(1) > 40).float()
    iou = ((1 - (inter + 1) / (union + 1)) * has).sum() / has.sum().clamp_min(1)
    other = F.binary_cross_entropy_with_logits(
        logit[:, 1:], foreign, weight=sure * (1 + foreign), reduction="none"
    ).mean()
    return 2.5 * ce + iou + 0.7 * other


class Pool:
    """Scenes cost more than steps: keep the latest and draw each a few times, turned, mirrored and in other
    light."""

    def __init__(self, batches: int) -> None:
        self.batches = batches
        self.kept: list[tuple[torch.Tensor, torch.Tensor, torch.Tensor]] = []
        self.next = 0

    def __len__(self) -> int:
        return len(self.kept)

    def put(self, x: torch.Tensor, y: torch.Tensor) -> None:
        row = (((x[:, :5] + 0.5) * 255).round().byte(), x[:, 5:, :1, :1].clone(), (y * 255).round().byte())
        if len(self.kept) < self.batches:
            self.kept.append(row)
        else:
            self.kept[self.next] = row
            self.next = (self.next + 1) % self.batches

    def draw(self, n: int, scenes: Scenes) -> tuple[torch.Tensor, torch.Tensor]:
        # quarters of four batches, so that a batch is never seen twice as it was
        xs, ss, ys = [], [], []
        for _ in range(4):
            a, s, b = self.kept[int(torch.randint(0, len(self.kept), ()))]
            at = int(torch.randint(0, 4, ())) * (n // 4)
            a, s, b = a[at : at + n // 4], s[at : at + n // 4], b[at : at + n // 4]
            turn, flip = int(torch.randint(0, 4, ())), bool(torch.randint(0, 2, ()))
            a, b = torch.rot90(a, turn, (2, 3)), torch.rot90(b, turn, (2, 3))
            xs.append(a.flip(3) if flip else a)
            ys.append(b.flip(3) if flip else b)
            ss.append(s)
        x, y, s = torch.cat(xs).float() / 255 - 0.5, torch.cat(ys).float() / 255, torch.cat(ss)
        hollow = (x[:, :3] - 0.0).abs().amax(1, keepdim=True) < 0.004  # outside the photo
        gain = torch.exp(0.06 * scenes.n(len(x), 3))[..., None, None]
        rgb = ((x[:, :3] + 0.5) * gain * torch.exp(0.1 * scenes.n(len(x), 1, 1, 1))).clamp(0, 1) - 0.5
        rgb = torch.where(hollow, x[:, :3], rgb)
        return torch.cat([rgb, x[:, 3:5], s.expand(-1, 1, *x.shape[2:])], 1), y


@torch.no_grad()
def measure(
    model: torch.nn.Module,
    scenes: Scenes,
    far: bool,
    batches: int,
    size: int,
    made: float = 0.0,
    real: float = 0.0,
) -> dict[str, float]:
    """Median and p10 of the overlap over held-out shapes, as the scenes show them."""
    model.eval()
    ious, taken, told = [], [], []
    for _ in range(batches):
        x, y = scenes.batch(24, size, far, made, real)
        p = torch.sigmoid(model(x)).float()
        (metal, counts, foreign, sure), p, q = y.split(1, 1), p[:, :1], p[:, 1:]
        inter = (torch.minimum(p, metal) * counts).flatten(1).sum(1)
        union = (torch.maximum(p, metal) * counts).flatten(1).sum(1)
        has = metal.flatten(1).sum(1) > 60
        ious.append((inter / union)[has])
        strange = ((foreign > 0.9) & (sure > 0.9)).float().flatten(1)
        there = strange.sum(1) > 200
        taken.append(((p.flatten(1) * strange).sum(1) / strange.sum(1).clamp_min(1))[there])
        told.append(((q.flatten(1) * strange).sum(1) / strange.sum(1).clamp_min(1))[there])
    iou = torch.cat(ious)
    found = {"n": len(iou), "median": float(iou.median()), "p10": float(iou.quantile(0.1))}
    if len(torch.cat(taken)):
        found |= {
            "foreign_as_metal": float(torch.cat(taken).mean()),
            "foreign_told": float(torch.cat(told).mean()),
        }
    return {k: round(v, 4) for k, v in found.items()}


class Team:
    """The processes that train together, one a GPU; gradients and the clock are averaged over them, so that
    all take the same step."""

    def __init__(self, rank: int, world: int) -> None:
        self.rank, self.world = rank, world
        if world > 1:
            os.environ.setdefault("MASTER_ADDR", "127.0.0.1")
            os.environ.setdefault("MASTER_PORT", "29511")
            dist.init_process_group(
                "nccl" if torch.cuda.is_available() else "gloo", rank=rank, world_size=world
            )

    def share(self, model: torch.nn.Module, done: float) -> float:
        """Average the gradients in place and return the mean of `done`."""
        if self.world == 1:
            return done
        grads = [p.grad for p in model.parameters() if p.grad is not None]
        flat = torch.cat([g.flatten() for g in grads] + [torch.tensor([done], device=grads[0].device)])
        dist.all_reduce(flat)
        flat /= self.world
        at = 0
        for g in grads:
            g.copy_(flat[at : at + g.numel()].view_as(g))
            at += g.numel()
        return float(flat[-1])


def train(rank: int, world: int, a: argparse.Namespace) -> None:
    device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
    if device.type == "cuda":
        torch.cuda.set_device(device)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    team = Team(rank, world)
    torch.manual_seed(a.seed + 1000 * rank)
    began = time.time()
    library = Library(
        a.photos, a.grounds, device, limit=a.limit, hold_out=7, reduced=a.reduced, things_zip=a.things
    )

    def say(*words: Any) -> None:
        if rank == 0:
            print(*words, flush=True)

    real = 0 if library.things is None else len(library.things)
    say(
        f"{world} x {device.type}; {len(library.meta)} photos and {real} real things to learn from, "
        f"{library.n_real_grounds} grounds, {time.time() - began:.0f} s"
    )
    model = Segmenter()
    if a.start:
        start_from(model, a.start)
    layout = torch.channels_last if a.channels_last else torch.contiguous_format
    model = model.to(device, memory_format=layout)
    mean = copy.deepcopy(model).eval()
    averaged, following = (
        [t for t in m.state_dict().values() if t.dtype.is_floating_point] for m in (mean, model)
    )
    forward = torch.compile(model) if a.compile else model
    optimiser = torch.optim.AdamW(
        [
            {"params": model.encoder_parameters(), "share": a.encoder_rate},
            {"params": model.decoder_parameters(), "share": 1.0},
        ],
        lr=a.rate,
        weight_decay=0.01,
    )
    log: list[dict[str, float]] = []
    step, before, state_file = 0, 0.0, a.out / "state.pt"
    if a.resume:
        state = torch.load(state_file, map_location="cpu", weights_only=True)
        model.load_state_dict(state["model"])
        mean.load_state_dict(state["mean"])
        optimiser.load_state_dict(state["optimiser"])
        step, before, log = state["step"], state["seconds"], state["log"]
    held = None
    if rank == 0 and a.measure:
        held = Library(a.photos, None, device, limit=a.limit, hold_out=-1, reduced=True, things_zip=a.things)
    scenes = Scenes(library, a.seed + 7919 * rank + step)
    torch.manual_seed(a.seed + 1000 * rank + step)
    say(
        f"{sum(p.numel() for p in model.parameters()) / 1e6:.2f} M parameters, "
        f"from step {step}, {before:.0f} s"
    )
    pools = {False: Pool(a.pool), True: Pool(a.pool * 2 // 3)}
    running, began, first, saved_at = 0.0, time.time(), step, time.time()

    def save() -> None:
        if rank:
            return
        weights = {k: v.cpu() for k, v in mean.state_dict().items()}
        torch.save({"model": weights}, a.out / "segmenter.pt")
        rest = {
            "model": model.state_dict(),
            "mean": mean.state_dict(),
            "optimiser": optimiser.state_dict(),
            "step": step,
            "log": log,
        }
        torch.save({**rest, "seconds": before + time.time() - began}, state_file)
        (a.out / "log.json").write_text(json.dumps(log))

    done = before / (60 * a.minutes)
    stop = min(1.0, a.stop_after / a.minutes) if a.stop_after else 1.0
    while done < stop and not (a.steps and step - first >= a.steps):
        rate = a.rate * min(1, (step + 1) / 200) * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * done)))
        for group in optimiser.param_groups:
            group["lr"] = rate * group["share"]
        model.train()
        far = step % 3 == 2
        if step % a.reuse == 0 or len(pools[far]) < 6:
            pools[far].put(*scenes.batch(a.batch, a.far_size if far else a.size, far, a.made, a.real))
        x, y = pools[far].draw(a.batch, scenes)
        x = x.contiguous(memory_format=layout)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logit = forward(x)
        loss = loss_of(logit.float(), y)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        done = team.share(model, (before + time.time() - began) / (60 * a.minutes))
        torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        keep = min(0.999, step / (step + 20))
        torch._foreach_lerp_(averaged, following, 1 - keep)
        running += float(loss.detach()) if step % 20 == 0 else 0.0
        step += 1
        if step % 200 == 0:
            seconds = before + time.time() - began
            log.append(
                {"step": step, "seconds": round(seconds, 1), "loss": round(running / 10, 4), "rate": rate}
            )
            say(log[-1])
            running = 0.0
        if time.time() - saved_at > a.every:
            save()
            if rank == 0 and held is not None:
                for name, far, what in (
                    ("renders", False, (0.0, 0.0)),
                    ("real", False, (0.0, 1.0)),
                    ("real far", True, (0.0, 1.0)),
                ):
                    say(name, measure(mean, Scenes(held, 99), far, 5, a.far_size if far else a.size, *what))
            saved_at = time.time()
    say(f"{step - first} steps of {world} x {a.batch} in {time.time() - began:.0f} s")
    save()
    if rank == 0 and held is not None:
        for name, what in (("renders", (0.0, 0.0)), ("made", (1.0, 0.0)), ("real", (0.0, 1.0))):
            for far in (False, True):
                print(
                    name,
                    "far" if far else "close",
                    measure(mean, Scenes(held, 98), far, 8, a.far_size if far else a.size, *what),
                )
    if world > 1:
        dist.destroy_process_group()


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--photos", type=Path, nargs="+", required=True)
    ap.add_argument("--grounds", type=Path)
    ap.add_argument("--things", type=Path, help="real things (things.py)")
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--minutes", type=float, default=25, help="of the whole schedule")
    ap.add_argument("--stop-after", type=float, help="end this run at so many minutes of the schedule")
    ap.add_argument("--resume", action="store_true", help="go on from OUT/state.pt")
    ap.add_argument("--start", type=Path, help="weights to begin from")
    ap.add_argument("--rate", type=float, default=2e-3)
    ap.add_argument("--batch", type=int, default=64, help="a GPU")
    ap.add_argument("--pool", type=int, default=60, help="batches kept of the close look")
    ap.add_argument("--size", type=int, default=448)
    ap.add_argument("--far-size", type=int, default=320)
    ap.add_argument(
        "--reuse", type=int, default=4, help="steps to each newly drawn batch (not a multiple of 3)"
    )
    ap.add_argument(
        "--encoder-rate",
        type=float,
        default=0.5,
        help="share of the rate at which what was learned before goes on learning",
    )
    ap.add_argument("--real", type=float, default=0.35, help="share of scenes of real things")
    ap.add_argument("--made", type=float, default=0.22, help="share of scenes made from nothing")
    ap.add_argument("--limit", type=int, help="use only so many photos (rehearsal)")
    ap.add_argument("--steps", type=int, help="stop after so many steps (rehearsal)")
    ap.add_argument("--reduced", action="store_true", help="small banks of noise and grounds (rehearsal)")
    ap.add_argument(
        "--measure", action="store_true", help="at the end, overlap on photos held out and on made scenes"
    )
    ap.add_argument("--every", type=float, default=100, help="seconds between measuring and saving")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument(
        "--channels-last", action="store_true", help="memory layout; which is faster depends on the GPU"
    )
    ap.add_argument("--compile", action="store_true")
    ap.add_argument("--gpus", type=int, help="how many to use; all by default")
    a = ap.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    world = a.gpus or max(1, torch.cuda.device_count())
    if world == 1:
        train(0, 1, a)
    else:
        torch.multiprocessing.spawn(train, args=(world, a), nprocs=world)


if __name__ == "__main__":
    main()
