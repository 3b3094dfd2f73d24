"""Faults that no single fault of a catalogue explains: the list with which the search is judged.

It stays as it is. Who changes the search may not change the list, or look at it to find out what the search should say;
for making the search better others are drawn, with another seed.

How it was chosen. Pairs and strobes: drawn by `outside_drawn` with the seed LIST_SEED, the first of each program that
count; nobody chose among them. Errors in programs: mistakes that programmers make, written down by hand while reading
the sources, each at least two bits, as a single bit is a fault of the ROM; their programs notice them, which was tried
by running the machine, never by searching.
"""

LIST_SEED = 16
"""With which pairs and strobes were drawn."""

PAIRS: tuple[tuple[str, str, str], ...] = (
    ("keyboard-test", "slot 1: pin A11 inverted", "A13 inverted"),
    ("keyboard-test", "slot 1: line A13 open", "D0 inverted"),
    ("keyboard-test", "slot 5: line A2 inverted", "slot 1: pin D0 open"),
    ("keyboard-test", "slot 2: pin D0 late", "A13 inverted"),
    ("keyboard-test", "slot 1: pin A11 inverted", "slot 3: transceiver direction reversed"),
    ("keyboard-test", "IRQ exchanged with NMI", "slot 3: pins D0 to D7 reversed"),
    ("keyboard-test", "slot 4: line A3 shorted to A4", "slot 1: pin D0 open"),
    ("keyboard-test", "A13 inverted", "slot 1: pin D0 open"),
    ("keyboard-test", "slot 2: pin D0 late", "A11 open"),
    ("keyboard-test", "slot 3: line A10 low", "slot 1: pin A11 inverted"),
    ("keyboard-test", "slot 2: pin D0 late", "slot 2: setting size = 262144"),
    ("keyboard-test", "slot 2: line A10 shorted to A11", "A11 open"),
    ("keyboard-test", "slot 1: line A13 open", "A5 shorted to A6"),
    ("keyboard-test", "slot 2: line A10 shorted to A11", "slot 5: line A7 exchanged with A8"),
    ("keyboard-test", "slot 2: setting size = 262144", "D0 inverted"),
    ("keyboard-test", "A11 open", "slot 2: selected by 1xxx xxxx 0xxx xxxx"),
    ("keyboard-test", "slot 2: pin A2 open", "slot 2: pin A4 shorted to A5"),
    ("keyboard-test", "slot 2: line A10 shorted to A11", "slot 1: line A13 open"),
    ("keyboard-test", "slot 5: line A7 exchanged with A8", "slot 3: transceiver direction reversed"),
    ("keyboard-test", "slot 1: line A13 open", "slot 2: pin A4 shorted to A5"),
    ("keyboard-test", "A13 inverted", "A11 open"),
    ("keyboard-test", "slot 1: line A13 open", "slot 1: pin D0 open"),
    ("video-test-card", "A0 open", "D0 open"),
    ("video-test-card", "slot 2: pin A5 shorted to A6", "slot 4: pin D4 late"),
    ("video-test-card", "slot 1: selected by 0x1x xxxx xxxx xxxx", "slot 2: pin A9 exchanged with A11"),
    ("video-test-card", "A0 open", "slot 2: pin A14 inverted"),
    ("video-test-card", "slot 2: pin A5 shorted to A6", "slot 2: pin A9 exchanged with A11"),
    ("video-test-card", "slot 1: selected by 0xxx xxxx x0xx xxxx", "slot 2: pin A14 inverted"),
)
"""Two faults at once: the program that is played, and the two."""

PROGRAM_ERRORS: tuple[tuple[str, str, str, str, str], ...] = (
    ("keyboard-test", "reset+42", "00", "03", "the title stands three lines too low"),
    ("keyboard-test", "reset+70", "0b", "0d", "the heading of the held keys stands on the line of the keys"),
    ("keyboard-test", "main_loop+2", "48", "ea", "the count of codes is not kept before the keyboard is asked"),
    ("keyboard-test", "show_code+28", "c8", "ea", "the line of codes that comes next is the same one"),
    ("keyboard-test", "show_code+23", "27", "24", "a line of codes ends three places too early"),
    ("keyboard-test", "show_held+33", "08", "80", "digits of a constant exchanged: 80 for 08"),
    ("keyboard-test", "show_held+70", "15", "12", "adds the column of the text where it should add the places left"),
    ("keyboard-test", "show_character+5", "0d", "0a", "takes 0A for Enter instead of 0D"),
    ("keyboard-test", "show_character+71", "c6", "a6", "loads the column at Backspace where it should take one away"),
    ("keyboard-test", "show_state+40", "22", "24", "shows the count of codes for that of lost keys"),
    ("keyboard-test", "show_state+18", "bb", "9f", "the status in hex where bits belong"),
    ("keyboard-test", "key_place_of_a+3", "4a", "ea", "two shifts instead of three from a key's number to its place"),
    (
        "keyboard-test",
        "key_find_character+3",
        "1a",
        "1d",
        "asks whether a release code came, not whether the key went up",
    ),
    ("pad-test", "main_loop+6", "01", "02", "the second pad is number two, from nought"),
    ("pad-test", "show_pad+33", "1514", "eaea", "what was seen is what is held now"),
    ("pad-test", "show_pad+38", "1f", "21", "counts releases for presses"),
    ("pad-test", "show_pad+43", "18", "14", "counts presses into what was seen"),
    ("pad-test", "show_pad+92", "23", "1f", "shows what went down for the byte as read, in bits"),
    ("pad-test", "show_pad+115", "1d", "14", "shows the buttons seen for those held"),
    ("pad-test", "show_pad+139", "14", "18", "shows the count of presses as names of buttons"),
    ("pad-test", "show_pad+149", "04", "03", "the line of presses stands on that of the buttons seen"),
    ("pad-test", "show_names+31", "20", "2c", "looks for a comma at the end of a name"),
    ("pad-test", "pads_read_one+15", "9523", "eaea", "does not keep the byte as read"),
    ("pad-test", "pads_read_one+22", "1d", "1e", "what changed, against the other pad"),
    ("pad-test", "pads_read_one+24", "2525", "eaea", "a release counts as a press"),
    ("video-test-card", "reset+23", "22", "21", "reads the pads one address too low"),
    ("video-test-card", "reset+40", "e610", "eaea", "the number of the page is never counted up"),
    ("video-test-card", "fill_text+32", "c614", "eaea", "the count of blocks never falls"),
    ("video-test-card", "show_page+47", "05", "03", "three registers of a page are set instead of five"),
    ("video-test-card", "fill_multicolor+33", "1a", "ea", "the names of a row are all alike"),
    ("video-test-card", "fill_patterns+12", "8d", "9c", "writes noughts where a pattern belongs"),
    ("video-test-card", "load_font+24", "c8", "1a", "counts the byte up where it should count the place"),
    ("video-test-card", "fill_text+20", "80", "60", "names up to 5F instead of 7F"),
    ("video-test-card", "fill_graphics_1+38", "0f", "10", "colours rise by 10 instead of 0F"),
    ("video-test-card", "video_pair+4", "8e", "8d", "writes the same byte twice of a pair"),
    ("video-test-card", "fill_multicolor+22", "4a", "ea", "the row is halved once instead of twice"),
    ("video-test-card", "load_font+27", "e613", "eaea", "the high byte of the letters' address is not counted up"),
    ("slug-watch", "main_loop+13", "200f90", "eaeaea", "sprites are never listed"),
    ("slug-watch", "interrupt+7", "01", "10", "digits of a mask exchanged: 10 for 01"),
    ("slug-watch", "video_start+30", "40", "04", "four pages of video memory cleared instead of 64"),
    ("slug-watch", "picture_on+20", "e2", "e1", "the bit for doubled sprites where that for large ones belongs"),
    ("slug-watch", "draw_picture+31", "3f", "40", "sprites are written up to the end of the tiles' queue"),
    ("slug-watch", "draw_picture+82", "c8", "ea", "never goes on to the next tile of the queue"),
    ("slug-watch", "name_address+7", "38", "83", "digits of an address exchanged: 83 for 38"),
    ("slug-watch", "draw_rows+8", "05", "06", "rows of 64 tiles instead of 32"),
    ("slug-watch", "draw_title_words+42", "03", "04", "columns of a large letter four tiles apart instead of three"),
    ("slug-watch", "read_inputs+33", "22", "24", "buttons that go down, out of the wrong byte"),
    ("slug-watch", "begin_game+7", "15", "16", "level 1 goes where the lettuces are counted"),
    ("slug-watch", "place_gardener+6", "60", "06", "digits of a place exchanged: 06 for 60"),
    ("slug-watch", "playing_state+22", "e619", "eaea", "the second player never joins"),
)
"""A mistake in the program: which, where (label and bytes behind it), bytes as they are and with the mistake, in words.

EA stands for what was left out.
"""

LATE_STROBES: tuple[tuple[str, str], ...] = (
    ("keyboard-test", "slot 2: PHI2 missing, 1 in 20"),
    ("keyboard-test", "slot 2: PHI2 missing, 1 in 2000, 20 cycles long"),
    ("keyboard-test", "slot 1: write data end early, 1 in 500"),
    ("keyboard-test", "slot 1: pins D0 to D7 late"),
    ("keyboard-test", "PHI2 doubled, 1 in 2000, 20 cycles long"),
    ("pad-test", "slot 2: PHI2 missing, 1 in 4"),
    ("pad-test", "PHI2 doubled, 1 in 100"),
    ("pad-test", "slot 1: write data end early, 1 in 2000, 20 cycles long"),
    ("pad-test", "slot 2: pins D0 to D7 late, 1 in 4"),
    ("pad-test", "slot 2: pins D0 to D7 late, 1 in 20"),
    ("video-test-card", "slot 2: pins D0 to D7 late, 1 in 100"),
    ("video-test-card", "slot 1: write data end early, 1 in 20"),
    ("video-test-card", "slot 1: write data end early, from 0.05 s"),
    ("video-test-card", "slot 2: PHI2 missing, 1 in 500"),
    ("slug-watch", "slot 2: pins D0 to D7 late, 1 in 100"),
    ("slug-watch", "PHI2 doubled, 1 in 2000"),
    ("slug-watch", "slot 2: PHI2 missing, 1 in 2000"),
    ("slug-watch", "slot 1: write data end early"),
)
"""A strobe that is late, comes twice or not at all, always or now and then: the program, and the fault."""
