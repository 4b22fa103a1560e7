"""What comes from the terminal as keys, on systems with POSIX terminals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.drivers.linux_driver import LinuxDriver

if TYPE_CHECKING:
    from textual.driver import Driver


class Keyboard(LinuxDriver):
    """Textual's own driver, which outlives bytes that are no text.

    A terminal that is set to another encoding sends such for every letter with an accent. The driver
    takes them for a mistake of the program and ends the screens; here they are lost, with what was
    typed at the same moment, and reading begins anew.
    """

    def run_input_thread(self) -> None:
        """Wait for keys until the screens end."""
        while not self.exit_event.is_set():
            try:
                super().run_input_thread()
            except OSError:  # no terminal any more
                raise
            except Exception:  # noqa: BLE001, S112 - no key may cost the picture
                continue


def driver_over(found: type[Driver]) -> type[Driver]:
    """The driver to use where Textual would use `found`."""
    return Keyboard if found is LinuxDriver else found
