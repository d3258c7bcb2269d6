"""Released results on their way into daily files, over a share that goes and with power cuts."""

from collections.abc import Callable
from pathlib import Path

from ingestd.delivery.daily_files import DailyFiles
from ingestd.errors import TargetUnavailable
from ingestd.ledger.store import Ledger
from tests.simulation.invariants import must
from tests.simulation.life import Life
from tests.simulation.site import PowerCut


class Delivery:
    """Delivery of one site to a folder that other sites may deliver to as well."""

    def __init__(self, life: Life, folder: Path) -> None:
        self.life = life
        self.folder = folder

    def step(self) -> None:
        """The daily files are brought up to date; the share or the power may fail meanwhile."""
        life, site = self.life, self.life.site
        dice = life.chance.random()
        away = self.folder.with_name("away")

        def apply(job: Callable[[Ledger], None]) -> None:
            if dice < life.weather.cuts:
                site.cut()  # the files are there, the mark is not
            job(site.ledger)
            if dice < 2 * life.weather.cuts:
                site.cut()  # the mark is there, nobody heard of it

        target = DailyFiles(site.config, apply=apply, clock=site.clock)
        reader = Ledger.open_readonly(site.path)
        is_gone = dice > 0.8
        if is_gone:
            self.folder.rename(away)
        try:
            target.step(reader.conn)
        except TargetUnavailable:
            life.note("  the share is gone")
            must(is_gone, "a share that is there was called gone")
        except PowerCut:
            life.note("  the power goes while delivering")
            reader.close()
            life.restart()
        else:
            if not is_gone:
                life.watch.check_delivered(self.folder, all_of_it=True)
        finally:
            reader.close()
            if is_gone:
                away.rename(self.folder)
        life.watch.check_delivered(self.folder, all_of_it=False)

    def catch_up(self) -> None:
        """Delivery catches up."""
        site = self.life.site
        target = DailyFiles(site.config, apply=lambda job: job(site.ledger), clock=site.clock)
        reader = Ledger.open_readonly(site.path)
        try:
            target.step(reader.conn)
        finally:
            reader.close()
        self.life.watch.check_delivered(self.folder, all_of_it=True)
