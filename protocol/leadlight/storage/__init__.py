"""What nodes keep on disk: key files, parts of shows, manifests and running orders."""

from leadlight.storage.files import (
    check_outputs,
    read_manifest,
    read_text_file,
    write_file,
    write_manifest,
    written_whole,
)
from leadlight.storage.key_files import inspect_key_file, make_key, read_key_file
from leadlight.storage.parts import Progress, build_manifest, compare_parts, read_library
from leadlight.storage.runtime import runtime_folder, runtime_folders, runtime_name
