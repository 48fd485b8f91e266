from __future__ import annotations

import vaultplan


def test_every_public_name_is_there_and_no_other() -> None:
    assert all(hasattr(vaultplan, name) for name in vaultplan.__all__)
    assert sorted(vaultplan.__all__) == [
        "Settings",
        "VaultplanError",
        "__version__",
        "load_settings",
    ]
