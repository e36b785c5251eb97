"""`python -m kitgauge.docs`: write the page of all commands anew."""

from kitgauge.atomic import write_atomically
from kitgauge.docs.commands import PAGE, commands_page

write_atomically(PAGE, commands_page())
