# The host half of scripts/guest and scripts/guest-service, which source this file: what a virtual machine needs, its
# kernel, its start, and what it says on its console. The machine's own half is in the folders beside this file.
#
# A job in the machine speaks to the host by lines on the console that contain a mark, which no other program knows:
#   MARK begin             everything after this line is the job's output
#   MARK say TEXT          TEXT is output, whether or not there was a `begin`
#   MARK monitor COMMAND   gives COMMAND to the machine's monitor
#   MARK end STATUS        ends the machine; this script ends with STATUS
# shellcheck shell=bash disable=SC2034

readonly NAME=${0##*/}
GUESTS=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
readonly GUESTS
readonly CACHE=${XDG_CACHE_HOME:-$HOME/.cache}/turnback-guest
readonly QEMU=qemu-system-x86_64
# Drivers of all cards, ports and disks that a machine can have.
readonly CARD_MODULES='e1000|e1000e|igb|virtio_net|virtio_pci|8139cp|8139too|vmxnet3'
readonly MODULES="$CARD_MODULES|xhci-pci|ftdi_sio|virtio_blk|ext4|crc32c_generic"

readonly ACCEL_HELP="\
  --accel NAME    tcg, software emulation, works everywhere; kvm is faster, but may not work although /dev/kvm is there
                  (default tcg)"

say() {
    echo "$NAME: ${1//$'\n'/$'\n'"$NAME: "}" >&2
}

fail() {
    say "$1"
    say "hint: $2"
    exit "${3:-126}"
}

wrong_usage() {
    fail "$1" "scripts/$NAME --help" 2
}

check_timeout_and_accel() {
    [[ $1 =~ ^[1-9][0-9]*$ ]] || wrong_usage "--timeout $1: allowed are whole seconds from 1"
    [[ $2 =~ ^(kvm|tcg)$ ]] || wrong_usage "--accel $2: allowed are tcg, kvm"
}

# Prints, one per line, what is missing and cannot be fetched by the script itself.
missing_for_machine() {
    [[ $(uname -m) == x86_64 ]] || echo "missing: an x86_64 host; this one is $(uname -m)"
    if ! command -v $QEMU >/dev/null; then
        echo "missing: $QEMU (Debian: apt-get install --no-install-recommends qemu-system-x86)"
    elif ! $QEMU -machine none -netdev help 2>&1 | grep -qx dgram; then
        echo "missing: $QEMU with the dgram network back end, 7.2 or newer; this is $($QEMU --version | head -n 1)"
    fi
    if [[ ! -e $CACHE/packages ]] && ! { command -v apt-get && command -v dpkg; } >/dev/null; then
        echo "missing: apt-get and dpkg, to fetch the machine's kernel and busybox"
    fi
}

# Says why no machine can run here, if none can.
need_nothing_missing() {
    [[ -z $1 ]] || { say "$1" && exit 126; }
}

# Runs a command that fills the cache, while no other script does.
alone() {
    mkdir -p "$CACHE"
    exec {lock}>"$CACHE/lock"
    flock "$lock"
    "$@"
    exec {lock}>&-
}

# Makes vmlinuz and base/ (busybox and modules) in the cache, once.
make_base() {
    [[ ! -e $CACHE/base || ! -e $CACHE/modules || $(<"$CACHE/modules") != "$MODULES" ]] || return 0
    local part packages=$CACHE/packages version folder path
    part=$(mktemp -d "$CACHE/part.XXXXXX")
    [[ -d $packages ]] || fetch_packages "$part"
    version=$(basename "$packages"/lib/modules/*)
    folder=lib/modules/$version
    mkdir -p "$part/base"/{bin,dev,proc,sys,tmp,root,lib,etc,run,"$folder"}
    cp "$packages/bin/busybox" "$part/base/bin/busybox"
    [[ -e $packages/$folder/modules.dep ]] || "$packages/bin/busybox" depmod -b "$packages" "$version"
    # Lines of modules.dep read "kernel/a.ko: kernel/b.ko kernel/c.ko": a module, then the modules that it needs.
    grep -E "/($MODULES)\.ko:" "$packages/$folder/modules.dep" | tr -d : | tr ' ' '\n' | sort -u |
        while read -r path; do install -D -m 644 "$packages/$folder/$path" "$part/base/$folder/$path"; done
    cp "$packages/$folder"/modules.{dep,order,builtin,builtin.modinfo} "$part/base/$folder/"
    cp "$packages/boot/vmlinuz-$version" "$CACHE/vmlinuz"
    echo "$version" >"$CACHE/version"
    echo "$MODULES" >"$CACHE/modules"
    rm -rf "$CACHE/base"
    mv "$part/base" "$CACHE/base"
    rm -rf "$part"
}

# Downloads kernel and busybox as packages, and unpacks them into the cache. DIR is scratch.
fetch_packages() {
    local dir=$1 image package
    image=$(apt-cache depends linux-image-amd64 2>/dev/null | grep -om1 'linux-image-[0-9].*') || true
    [[ -n $image ]] || fail "no package linux-image-amd64 is known" "run apt-get update, on a Debian system"
    say "fetching $image and busybox-static into $CACHE"
    (cd "$dir" && apt-get download -qq -o APT::Sandbox::User=root "$image" busybox-static) >&2 ||
        fail "cannot download $image and busybox-static" "run apt-get update and try again"
    for package in "$dir"/*.deb; do
        dpkg -x "$package" "$dir/packages"
        rm "$package"
    done
    mv "$dir/packages" "$CACHE/packages"
}

# Makes the folder of this run. It is removed, and the machine ended, when the script ends.
begin_work() {
    work=$(mktemp -d)
    mark=turnback-guest-$$-$RANDOM
    # Processes to end, and options of the machine.
    children=() options=() cards=0
    trap end_work EXIT
}

# shellcheck disable=SC2317  # called by the trap
end_work() {
    end_children
    rm -rf "$work"
}

# shellcheck disable=SC2317  # called by a trap
end_children() {
    local child
    for child in "${children[@]}"; do
        # `timeout` passes the signal on to the machine, and kills it later if need be.
        kill "$child" 2>/dev/null || true
        wait "$child" 2>/dev/null || true
    done
}

# Writes base and the files of this run in DIR as one archive that the kernel unpacks at boot.
pack_initramfs() {
    cp -r "$CACHE/base/." "$1/"
    (cd "$1" && find . | "$CACHE/base/bin/busybox" cpio -o -H newc -R 0:0 2>/dev/null) >"$work/initramfs"
}

# Adds a network card of this model, whose frames come back into it. `e1000e-2` is the second of its model; the card
# that $twin names has the address of the card before it.
add_card() {
    local model=${1%-[2-9]} wire=$work/wire$cards bus=pcie.0 number=$cards
    cards=$((cards + 1))
    local address=$cards
    [[ $1 != "${twin:-}" ]] || address=$((cards - 1))
    # The far end of the wire is the socket at its near end. A socket in the file system and not a UDP port: when its
    # buffer is full the card has to wait, where UDP would lose frames and count them nowhere.
    options+=(-netdev "dgram,id=n$number,local.type=unix,local.path=$wire,remote.type=unix,remote.path=$wire")
    # A PCI Express card needs a port of the root complex to have a link.
    if [[ $model =~ ^(e1000e|igb|vmxnet3)$ ]]; then
        options+=(-device "pcie-root-port,id=root$number,chassis=$cards,slot=$cards")
        bus=root$number
    fi
    # Addresses for documentation (RFC 7042, 2.1.1): like those of real cards, and unlike QEMU's own, not locally
    # administered.
    options+=(-device "$model,netdev=n$number,bus=$bus,id=card$number,mac=$(printf '00:00:5e:00:53:%02x' "$address")")
}

# Adds a serial port whose bytes come back: ID, then the device with its properties.
add_looped_line() {
    # A pipe that QEMU opens for both directions, so that it reads what it writes.
    mkfifo "$work/$1"
    ln -s "$1" "$work/$1.in"
    ln -s "$1" "$work/$1.out"
    options+=(-chardev "pipe,id=$1,path=$work/$1" -device "$2,chardev=$1${3:+,$3}")
}

# Starts the machine, passes on what its job says, and exits with the status that the job ends with. LOG gets the whole
# console; words after it are for the kernel.
run_machine() {
    local timeout=$1 accel=$2 log=$3 status=0
    shift 3
    mkfifo "$work/console" "$work/monitor.in"
    # Opened for both directions, so that neither end waits for the other. Nobody reads what the monitor answers.
    exec {monitor}<>"$work/monitor.in"
    ln -s /dev/null "$work/monitor.out"
    add_looped_line s1 isa-serial index=1
    timeout --kill-after=5 "$timeout" \
        $QEMU -nodefaults -no-user-config -display none -machine q35 -accel "$accel" -cpu max,arch-capabilities=off \
        -smp 2 -m 1024 -kernel "$CACHE/vmlinuz" -initrd "$work/initramfs" \
        -append "console=ttyS0,115200 quiet loglevel=1 $*" \
        -chardev "pipe,id=monitor,path=$work/monitor" -mon chardev=monitor,mode=readline \
        -chardev stdio,id=console,signal=off -device isa-serial,chardev=console,index=0 \
        "${options[@]}" </dev/null >"$work/console" 2>"$work/errors" &
    machine=$!
    children+=("$machine")
    pass_on "$log" <"$work/console"
    [[ -z $ended ]] || exit "$ended"
    wait "$machine" || status=$?
    if ((status == 124 || status == 137)); then
        say "the machine did not end within $timeout s"
        exit 124
    fi
    [[ ! -s $work/errors ]] || say "$(<"$work/errors")"
    say "the machine stopped before its job ended"
    exit 125
}

# The same, but goes on: returns the status with which run_machine exits.
boot_machine() {
    rm -f "$work"/{console,monitor.in,monitor.out,s1,s1.in,s1.out}
    (
        # Nothing but the machine is this shell's to end.
        children=()
        trap end_children EXIT
        run_machine "$@"
    )
}

# Passes on the job's output from the console, and does what its marks say. Sets `ended` to the status in the last mark.
pass_on() {
    local log=$1 line inside=no
    ended=
    while IFS= read -r line || [[ -n $line ]]; do
        printf '%s\n' "$line" >>"$log"
        case $line in
            # The job's last output may lack a newline.
            *"$mark end "*)
                printf %s "${line%%"$mark end "*}"
                ended=${line##*"$mark end "}
                return
                ;;
            *"$mark begin"*) inside=yes ;;
            *"$mark say "*) printf '%s\n' "${line#*"$mark say "}" ;;
            *"$mark monitor "*) echo "${line##*"$mark monitor "}" >&"$monitor" ;;
            # A machine that panicked may stand still for ever.
            *"Kernel panic - "*) kill "$machine" ;;
            *) [[ $inside == no ]] || printf '%s\n' "$line" ;;
        esac
    done
}
