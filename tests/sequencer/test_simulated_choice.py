"""What may follow `--bench simulated:`."""

import pytest

from sequencer.errors import UsageError
from sequencer.simulated_process import open_simulated


@pytest.mark.parametrize(("choice", "name"), [("list", "vhf-600k"), ("vhf-600k:list", "swapped-real32")])
def test_list_is_refused_with_the_names(choice: str, name: str) -> None:
    with pytest.raises(UsageError, match=name) as caught:
        open_simulated(choice, recipe=None, seed=1, speed=0.0)
    assert caught.value.exit_code == 2
