"""Characters that mean something in a line of G-code, as bytes."""

TAB, LINE_FEED, RETURN, BLANK, PERCENT, OPEN, CLOSE, STAR, PLUS, MINUS, POINT, SLASH, SEMICOLON = b"\t\n\r %()*+-./;"
