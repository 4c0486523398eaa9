"""What platformio.ini cannot say itself about the Pico. Run by PlatformIO's build, never by hand."""

Import("env")  # type: ignore[name-defined]  # noqa: F821

env.Append(LINKFLAGS=["-nostartfiles"])  # type: ignore[name-defined]  # noqa: F821
env.Replace(LIBS=["c", "gcc"])  # type: ignore[name-defined]  # noqa: F821
env.AddPostAction(  # type: ignore[name-defined]  # noqa: F821
    "$BUILD_DIR/${PROGNAME}.elf",
    [
        "$OBJCOPY -O binary $BUILD_DIR/${PROGNAME}.elf $BUILD_DIR/sealed.bin",
        "$PYTHONEXE tools/pico_image.py $BUILD_DIR/sealed.bin $BUILD_DIR/${PROGNAME}.uf2",
    ],
)
