"""Checks SocketCAN on a real kernel with two emulated CAN controllers, without root or CAN here.

    apt-get install --no-install-recommends qemu-system-x86 busybox-static cpio kmod can-utils iproute2
    apt-get download linux-image-6.1.0-NN-amd64
    dpkg-deb -x linux-image-*.deb FOLDER && depmod -b FOLDER 6.1.0-NN-amd64
    python tools/socketcan_rig.py FOLDER

An initramfs with the kernel's CAN modules mounts this machine's root folder read-only and runs
socketcan_guest.py there, with this Python. Pure software emulation; takes some minutes. The last result:
DEVELOPERS.md, "SocketCAN on a real kernel".
"""

from __future__ import annotations

import argparse
import gzip
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
MODULES = ("9p", "9pnet_virtio", "virtio_pci", "can", "can-raw", "vcan", "can-dev", "sja1000", "kvaser_pci")
PATIENCE_S = 1200

INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
while read module; do insmod /modules/$module; done < /modules/order
mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=524288,cache=loose hostroot /new
for each in dev proc sys; do mount -o move /$each /new/$each; done
mkdir -p /new/dev/pts /new/dev/shm; mount -t devpts devpts /new/dev/pts
mount -t tmpfs tmpfs /new/dev/shm; mount -t tmpfs tmpfs /new/mnt
echo '{script}' > /new/mnt/run.sh
chroot /new /usr/bin/env -i HOME=/mnt TMPDIR=/mnt PATH=/usr/sbin:/usr/bin:/sbin:/bin \
  PYTHONDONTWRITEBYTECODE=1 PYTHONPATH={package} sh /mnt/run.sh
poweroff -f
"""

SCRIPT = """
ip link add dev vcan0 type vcan; ip link set vcan0 mtu 72 up
ip link set can0 type can bitrate 500000 listen-only on; ip link set can0 up
ip link set can1 type can bitrate 500000; ip link set can1 up
{python} {guest} {words}
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kernel", type=Path, help="folder with boot/vmlinuz-* and lib/modules/*")
    parser.add_argument("words", nargs="*", help="only the cases in whose name one of these stands")
    chosen = parser.parse_args()
    kernel = chosen.kernel
    image = next((kernel / "boot").glob("vmlinuz-*"))
    with tempfile.TemporaryDirectory() as place:
        initramfs = Path(place) / "initrd.gz"
        initramfs.write_bytes(
            packed(kernel, image.name.removeprefix("vmlinuz-"), Path(place) / "tree", chosen.words)
        )
        output = boot(image, initramfs)
    print(output[output.find("ok ") :] if "ok " in output else output)
    return 0 if "cases failed: 0" in output else 1


def packed(kernel: Path, version: str, tree: Path, words: list[str]) -> bytes:
    """The initramfs: busybox, modules in the order in which they must be loaded, init."""
    for folder in ("bin", "modules", "proc", "sys", "dev", "new"):
        (tree / folder).mkdir(parents=True)
    shutil.copy(shutil.which("busybox") or "/bin/busybox", tree / "bin" / "busybox")
    order: list[str] = []
    for module in MODULES:
        command = ["modprobe", "-d", str(kernel.resolve()), "-S", version, "--show-depends", module]
        shown = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        for path in re.findall(r"^insmod (\S+)", shown, re.MULTILINE):
            if Path(path).name not in order:
                order.append(Path(path).name)
                shutil.copy(path, tree / "modules")
    (tree / "modules" / "order").write_text("".join(f"{name}\n" for name in order))
    script = SCRIPT.format(python=sys.executable, guest=HERE / "socketcan_guest.py", words=" ".join(words))
    (tree / "init").write_text(INIT.format(script=script, package=HERE.parent))
    (tree / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(tree)) for path in sorted(tree.rglob("*")))
    archive = subprocess.run(
        ["cpio", "-o", "-H", "newc"], cwd=tree, input=names.encode(), capture_output=True, check=True
    )
    return gzip.compress(archive.stdout, 1)


def boot(image: Path, initramfs: Path) -> str:
    """What the machine writes on its console."""
    command = ["qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-m", "1024", "-smp", "1", "-nodefaults"]
    command += ["-icount", "shift=1"]  # its time goes by its instructions, on a busy host too
    command += ["-no-reboot", "-nographic", "-serial", "stdio", "-monitor", "none", "-nic", "none"]
    command += ["-kernel", str(image), "-initrd", str(initramfs), "-append", "console=ttyS0 quiet panic=-1"]
    command += ["-fsdev", "local,id=root,path=/,security_model=none,readonly=on,multidevs=remap"]
    command += ["-device", "virtio-9p-pci,fsdev=root,mount_tag=hostroot", "-object", "can-bus,id=cbus"]
    command += ["-device", "kvaser_pci,canbus=cbus"] * 2
    result = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, timeout=PATIENCE_S, check=False
    )
    return result.stdout.decode("utf-8", "replace").replace("\r", "")


if __name__ == "__main__":
    sys.exit(main())
