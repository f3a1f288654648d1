"""How often `armsim verify` calls sound arms wrong, and wrong ones so: python tests/benchmarks/sessions.py [ARMS] [KINDS]

Arms and instruments of `tests/independent_session.py`, which pinocchio simulates: three readings of 24 poses, the frame
known, fitted, of two sessions, and of two sessions whose arm warms up, whose probe reads orientations too and whose
scale is off. Beside the null rate the share that is called wrong where links, or lost motion, spread three times as
much as stated.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from independent_session import ARMS, Hidden, Session, spots

from armsim.calibration.measurement_setup import Setup, without_frame
from armsim.calibration.outlying_readings import screen_outliers
from armsim.calibration.rank_tests import SIGNIFICANT, TESTS, RankTests
from armsim.calibration.verify import References

FILE = Path("m.csv")
POSES = 24


def setups(kind: str) -> dict[str, Session]:
    """Ways of measuring an arm."""
    plain = Session(kind, spots(kind, POSES))
    fitted = replace(plain, frame=True)
    return {
        "frame known": plain,
        "frame fitted": fitted,
        "two sessions": replace(fitted, sessions=2),
        "temperature, orientation, scale": replace(
            fitted, sessions=2, angular_std=30e-6, temperatures=(288.15, 308.15), scale=True, hidden=Hidden(scale=20e-6)
        ),
    }


def called_wrong(session: Session, count: int, seed: int = 100) -> int:
    """Arms, of so many, that are called wrong."""
    study = session.study
    arms = [session.read(seed + n)[0] for n in range(count)]
    setup = Setup.of(study, None).with_fitted_target(arms, FILE)
    references, wrong = References(setup, study, FILE, 1), 0
    for arm in arms:
        every = references.distributions_for(setup.register(arm, FILE)).readings
        screen = screen_outliers(arm, FILE.name, references.refit, every, SIGNIFICANT / TESTS)
        read = setup.register(screen.arm, FILE)
        reference = references.distributions_for(read).arms
        visits = without_frame(read, reference.estimator) if setup.fits_registration else read.arm
        wrong += bool(screen.outliers) or screen.too_many_outliers or not RankTests.of(visits, reference).compatible
    return wrong


def main() -> None:
    """Print the shares."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    kinds = sys.argv[2].split(",") if len(sys.argv) > 2 else list(ARMS)
    print(f"{'arm':<7}{'measured with':<34}{'sound':>12}{'links x3':>12}{'lost x3':>12}")
    for kind in kinds:
        for name, session in setups(kind).items():
            sound = called_wrong(session, count)
            few = max(20, count // 10)
            hidden = session.hidden
            loose = [
                called_wrong(replace(session, hidden=replace(hidden, **{what: 3.0})), few) for what in ("links", "lost")
            ]
            shares = "".join(f"{share / few:>12.0%}" for share in loose)
            print(f"{kind:<7}{name:<34}{f'{sound} of {count}':>12}{shares}", flush=True)


if __name__ == "__main__":
    main()
