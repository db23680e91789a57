"""A folder to practise on: invented readings, marked as such, perhaps with a slip in them."""

from __future__ import annotations

from motorfit.machine.brushed import BrushedMachine
from motorfit.simulation.answers import answer_key
from motorfit.simulation.bench import simulate_with_truth
from motorfit.simulation.instruments import VirtualKit
from motorfit.simulation.mistakes import plant_mistake
from motorfit.simulation.plan import BenchPlan, Conditions
from motorfit.simulation.writing import bench_texts, with_room_for


def practice_texts(
    machine: BrushedMachine,
    *,
    plan: BenchPlan | None = None,
    kit: VirtualKit | None = None,
    conditions: Conditions | None = None,
    moment_of_inertia: float | None = None,
    seed: int,
    name: str,
    mistake: str | None = None,
) -> tuple[dict[str, str], str]:
    """The files of a virtual bench, and its answer key.

    Parameters are those of `simulate`, and the name of a mistake, as in `plant_mistake`,
    which is planted with the same seed.

    Returns
    -------
    texts : dict of str to str
        The text of each file, by its name.
    key : str
        The answer key, as JSON.

    Raises
    ------
    ValueError
        If the machine, the plan and the mistake do not go together.
    """
    bench, truth = simulate_with_truth(
        machine,
        plan=plan,
        kit=kit,
        conditions=conditions,
        moment_of_inertia=moment_of_inertia,
        seed=seed,
        name=name,
    )
    # the sheets do not tell the seed, which would tell the answer
    invented = ("Invented readings of an invented machine, made by motorfit simulate.",)
    names = [run.source.name for run in bench.runs]
    remarks = dict.fromkeys([*names, "machine.toml", "kit.toml"], invented)
    bench, answer = with_room_for(bench, remarks), None
    if mistake is not None:
        bench, answer = plant_mistake(bench, mistake, seed=seed)
    return bench_texts(bench, remarks=remarks), answer_key(truth, seed=seed, answer=answer)
