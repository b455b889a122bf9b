"""How tests are shared out where several processes run them: whole files, and what must stay together in one.

A file's tests share its fixtures. Tests of the group ``real_time`` pace themselves by a clock, through pseudo-terminals
and processes of their own; in one process they do not disturb each other.
"""

import pytest


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    from xdist.scheduler import LoadGroupScheduling

    class FilesAndGroups(LoadGroupScheduling):
        def _split_scope(self, nodeid):
            group = super()._split_scope(nodeid)
            return nodeid.partition("::")[0] if group == nodeid else group

    return FilesAndGroups(config, log)
