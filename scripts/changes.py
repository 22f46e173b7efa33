"""Small changes of Rust sources, and a source that holds all of them at once; see scripts/mutants.

Reads tokens, brackets and functions of sources that rustfmt wrote, and knows no types: a change that does not compile
is left out by its caller.
"""

import collections
import re

TOKEN = re.compile(
    r"""(?P<note>//[^\n]*|/\*.*?\*/|\#!?\[[^\]]*\])
    | (?P<text>b?r(?P<hash>\#*)".*?"(?P=hash) | b?"(?:\\.|[^"\\])*" | b?'(?:\\(?:u\{\w+\}|x\w\w|.)|[^\\'\n])')
    | (?P<life>'\w+)
    | (?P<number>0x\w+ | \d[\d_]*(?:\.\d[\d_]*)?(?:e-?\d+)?(?:_?[iuf]\d+|_?usize)?\b)
    | (?P<word>\w+)
    | (?P<sign>\.\.=|\.\.|=>|->|::|==|!=|<=|>=|&&|\|\||[-+*/%&|^]=|<<|>>|[^\s\w])""",
    re.X | re.S,
)
BRACKETS = {"(": ")", "[": "]", "{": "}"}
# What stands in place of an operator. A limit moved by one is what most tests miss.
OPERATORS = {
    "==": ["!="], "!=": ["=="], "&&": ["||"], "||": ["&&"],
    "<": ["<=", ">", "=="], ">": [">=", "<", "=="], "<=": ["<", ">"], ">=": [">", "<"],
    "+": ["-", "*"], "-": ["+", "/"], "*": ["+", "/"], "/": ["*", "%"], "%": ["/", "+"],
    "<<": [">>"], ">>": ["<<"], "&": ["|", "^"], "|": ["&", "^"], "^": ["&", "|"],
    "+=": ["-=", "*="], "-=": ["+=", "/="], "*=": ["+=", "/="], "/=": ["*=", "%="], "%=": ["/=", "+="],
    "&=": ["|=", "^="], "|=": ["&=", "^="], "^=": ["&=", "|="],
}  # fmt: skip
# What a function returns in place of its answer, by the first words of its type.
ANSWERS = [
    (r"bool$", ["true", "false"]),
    (r"(usize|u\d+|NonZero.*)$", ["0", "1"]),
    (r"(isize|i\d+)$", ["0", "1", "-1"]),
    (r"f\d+$", ["0.0", "1.0", "-1.0"]),
    (r"&('\w+ )?str$", ['""']),
    (r"&('\w+ )?\[.*\]$", ["&[]"]),
    (r"Option<(.*)>$", ["None"]),
    (r"Vec<(.*)>$", ["vec![]"]),
    (r"$", ["()"]),
]
WRAPPED = [(r"Option<(.*)>$", "Some({})"), (r"Result<(\(\)|[^,]*).*>$", "Ok({})"), (r"Vec<(.*)>$", "vec![{}]")]


class Token:
    def __init__(self, match):
        self.kind, self.text, self.start, self.end = match.lastgroup, match[0], match.start(), match.end()
        if match["text"]:
            self.kind = "text"


class Change:
    """A stretch of a function and what stands there in place of it; `prefix` goes before the whole body."""

    def __init__(self, source, start, end, new, prefix=""):
        self.start, self.end, self.new, self.prefix = start, end, new, prefix
        self.line = source.text.count("\n", 0, start) + 1
        first = source.text.rfind("\n", 0, start) + 1
        last = source.text.find("\n", end)
        # As much around it as tells it from others in the function.
        before = source.text[max(first, start - 40) : start]
        before = re.sub(r"^\w*\W*?(?=\w|$)" if start - first > 40 else "", "", before)
        after = re.sub(r"\w*$" if last - end > 30 else "", "", source.text[end : min(last, end + 30)])
        old = " ".join(source.text[start:end].split())[:60]
        self.label = " ".join(f"{before} [{old} → {new}] {after}".split()).replace("→ ]", "→]")


class Function:
    def __init__(self, name, start, end, answer):
        self.name, self.start, self.end, self.answer, self.changes = name, start, end, answer, []


class Source:
    """A file, its functions outside tests, and their changes."""

    def __init__(self, path, text):
        self.path, self.text = path, text
        self.tokens = [Token(m) for m in TOKEN.finditer(text) if m.lastgroup != "note" or m[0].startswith("#")]
        self.partner = self._partners()
        self.functions, self.constants = [], []
        self._find()
        for function in self.functions:
            self._change(function)
        seen = collections.Counter()
        for function in self.functions:
            for change in function.changes:
                seen[function.name, change.label] += 1
                if (again := seen[function.name, change.label]) > 1:
                    change.label += f" #{again}"

    def _partners(self):
        partner, open_ = {}, []
        for at, token in enumerate(self.tokens):
            if token.kind == "sign" and token.text in "([{":
                open_.append(at)
            elif token.kind == "sign" and token.text in ")]}":
                partner[at] = open_.pop()
                partner[partner[at]] = at
        return partner

    def _until(self, at, *texts):
        """The first of these texts from here on that is in no bracket of its own."""
        while at < len(self.tokens) and self.tokens[at].text not in texts:
            if self.tokens[at].kind == "sign" and self.tokens[at].text in ")]}":
                return at
            at = self.partner[at] + 1 if self.tokens[at].text in BRACKETS and at in self.partner else at + 1
        return at

    def _find(self):
        at = 0
        while at < len(self.tokens):
            token = self.tokens[at]
            after = self.tokens[at + 1].text if at + 1 < len(self.tokens) else ""
            if token.text == "#[cfg(test)]":
                at = self._until(at + 1, "{", ";")
                at = self.partner.get(at, at) + 1
            elif token.text in ("const", "static") and re.match(r"[A-Z]", after):
                end = self._until(at, ";")
                equals = self._until(at, "=")
                if equals < end:
                    self.constants.append((at, equals, end))
                at = end + 1
            elif token.text == "fn" and re.match(r"\w", after) and self.tokens[at - 1].text != "const":
                open_ = self._until(at, "{", ";")
                arrow = self._until(at, "->", "{", ";")
                if self.tokens[open_].text == "{":
                    close = self.partner[open_]
                    answer = self.text[self.tokens[arrow].end : self.tokens[open_].start]
                    answer = answer.split("where")[0].strip() if self.tokens[arrow].text == "->" else ""
                    # No body of ours has the hidden type of another.
                    if not answer.startswith("impl"):
                        self.functions.append(Function(after, open_, close, answer))
                    open_ = close
                at = open_ + 1
            else:
                at += 1

    def _put(self, function, start, end, new, prefix=""):
        function.changes.append(Change(self, start, end, new, prefix))

    def _change(self, function):
        first, last = self.tokens[function.start].end, self.tokens[function.end].start
        for new in answers(function.answer):
            if new != self.text[first:last].strip():
                function.changes.append(Change(self, first, last, new))
                function.changes[-1].line -= 1
                function.changes[-1].label = f"{{…}} → {new}"
        for at in range(function.start + 1, function.end):
            token, before = self.tokens[at], self.tokens[at - 1]
            if token.kind == "number" and not (before.text == "." and before.end == token.start):
                for new in numbers(token.text):
                    self._put(function, token.start, token.end, new)
            elif token.kind == "word" and token.text == "match":
                self._arms(function, at)
            elif token.kind == "word" and token.text == "if" and self.tokens[at + 1].text != "let":
                end = self._until(at + 1, "{", "=>")
                for new in ("true", "false"):
                    self._put(function, self.tokens[at + 1].start, self.tokens[end - 1].end, new)
            elif token.kind == "sign":
                self._operator(function, at)

    def _operator(self, function, at):
        token, before = self.tokens[at], self.tokens[at - 1]
        spaced = self.text[token.start - 1].isspace() and self.text[token.end].isspace()
        if spaced:
            for new in OPERATORS.get(token.text, []):
                self._put(function, token.start, token.end, new)
            if token.text == "|":
                end = self._until(at + 1, "|", "=>", "if", "=", ",", ";")
                self._put(function, token.start, self.tokens[end - 1].end, "")
                if (start := self._first_of(at)) is not None:
                    self._put(function, self.tokens[start].start, token.end, "")
        elif token.text in ("!", "-") and not (before.kind == "word" and before.end == token.start):
            self._put(function, token.start, token.end, "")

    def _first_of(self, at):
        """Where the first of several alternatives begins that this sign stands behind; none behind a later one."""
        while self.tokens[at - 1].text not in ("|", ",", ";", "=>", "(", "[", "{", "let"):
            line_ends = "\n" in self.text[self.tokens[at - 1].end : self.tokens[at].start]
            if self.tokens[at - 1].text == "}" and line_ends and self.tokens[at].text != "|":
                return at
            at = self.partner.get(at - 1, at - 1)
        return None if self.tokens[at - 1].text == "|" else at

    def _arms(self, function, at):
        open_ = self._until(at, "{")
        close, arms, at = self.partner[open_], [], open_ + 1
        while at < close:
            arrow = self._until(at, "=>")
            end = self.partner[arrow + 1] if self.tokens[arrow + 1].text == "{" else self._until(arrow + 1, ",")
            end += self.tokens[end].text != "," and end < close and self.tokens[end + 1].text == ","
            end = min(end, close - 1)
            arms.append((at, arrow, end))
            at = end + 1
        # Without an arm for the rest, each of the others is needed.
        rest = "".join(token.text for token in self.tokens[arms[-1][0] : arms[-1][1]]) if arms else ""
        if re.fullmatch(r"[(_,)]+|[a-z]\w*", rest):
            for first, arrow, end in arms[:-1]:
                self._put(function, self.tokens[first].start, self.tokens[end].end, "")
                arm = self.text[self.tokens[first].start : self.tokens[arrow].start]
                function.changes[-1].label = f"{' '.join(arm.split())} => [→]"

    def change_constants(self, sources):
        """Constants hold for every function that names them: each gets the changed one inside its body."""
        for at, equals, end in self.constants:
            name, public = self.tokens[at + 1].text, self.tokens[at - 1].text in ("pub", ")")
            users = [
                function
                for source in (sources if public else [self])
                for function in source.functions
                if re.search(rf"(?<!::)\b{name}\b", source.body(function))
                and (source is self or re.search(rf"^use [^;]*\b{name}\b", source.text, re.M))
            ]
            type_ = self.text[self.tokens[at + 2].end : self.tokens[equals].start].strip()
            for number in (t for t in self.tokens[equals:end] if t.kind == "number"):
                for new in numbers(number.text):
                    value = self.text[self.tokens[equals].end : number.start] + new
                    value += self.text[number.end : self.tokens[end].start]
                    change = Change(self, number.start, number.end, new, f"const {name}: {type_} = {value};")
                    for function in users:
                        function.changes.append(change)

    def first_line(self, function):
        return self.text.count("\n", 0, self.tokens[function.start].start) + 1

    def last_line(self, function):
        return self.text.count("\n", 0, self.tokens[function.end].start) + 1

    def body(self, function):
        return self.text[self.tokens[function.start].end : self.tokens[function.end].start]

    def written(self, chosen, place):
        """The file with these changes, each with its number, and where each stands: first and last line, the change or
        none, the function."""
        out, lines, done, line = [], [], 0, 1

        def put(text):
            nonlocal line
            out.append(text)
            line += text.count("\n")

        for function in self.functions:
            changes = [change for change in function.changes if change in chosen]
            if not changes:
                continue
            first, last = self.tokens[function.start].end, self.tokens[function.end].start
            put(self.text[done:first] + f"match crate::changed::at({place(function)}) {{\n")
            for change in changes:
                begin = line
                inside = self.text[first:last]
                if not change.prefix:
                    inside = self.text[first : change.start] + change.new + self.text[change.end : last]
                put(f"{chosen[change]} => {{ {change.prefix}\n{inside}\n}}\n")
                lines.append((begin, line - 1, change, function))
            begin = line
            put(f"_ => {{\n{self.text[first:last]}\n}}}}\n")
            lines.append((begin, line - 1, None, function))
            done = last
        put(self.text[done:])
        return "".join(out), lines


def numbers(text):
    """The next ones, of a large number or a fraction a tenth more and less."""
    match = re.fullmatch(r"([\d_]+(?:\.[\d_]+)?(?:e-?\d+)?)(_?[iuf]\d+|_?usize)?", text)
    if not match:
        return []
    digits, type_ = match[1].replace("_", ""), match[2] or ""
    if "." in digits or "e" in digits or type_.strip("_").startswith("f"):
        value = float(digits)
        return [repr(new) + type_ for new in ([value * 1.1, value / 1.1] if value else [1.0])]
    value = int(digits)
    news = [value + 1, value - 1] if value <= 100 else [value * 11 // 10, value * 10 // 11]
    return [f"{new}{type_}" for new in news if new >= 0]


def answers(type_):
    """What a function of this type may return in place of its answer."""
    found = next((values for pattern, values in ANSWERS if re.match(pattern, type_)), None)
    if not type_:
        return found
    found = list(found or [])
    for pattern, around in WRAPPED:
        if match := re.match(pattern, type_):
            found += [around.format(inner) for inner in answers(match[1])]
    return found or ["Default::default()"]
