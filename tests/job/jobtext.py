"""The schedule of the fictional Corncrake for the tests of this room."""

HEAD = '[job]\ntitle = "Corncrake frame 14"\nunits = "mm"\nmissing = ["F14"]\n'
FRAMES = "".join(
    f'[[frame]]\nname = "F{count}"\nstation = {4420.0 + 480.0 * (count - 11)}\n'
    for count in (15, 11, 12, 13, 14)
)


def put(folder, text, files=("tape.csv", "more.csv", "ties.csv", "bay.ply", "targets.csv")):
    (folder / "job.toml").write_text(text, encoding="utf-8")
    for name in files:
        (folder / name).write_text("", encoding="utf-8")
    return folder / "job.toml"
