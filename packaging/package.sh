#!/bin/sh
# Makes packages of this checkout for the system that it runs on: a .deb, and an .rpm where rpmbuild is installed.
#
#   sh packaging/package.sh [FOLDER]     puts them into FOLDER (default: dist)
#
# Both hold what install.sh makes, under /usr/lib/laneproof and /usr, for this system's Python and processor.
# Ends with 0, or with a number of sysexits.h and a sentence that says what is wrong.
set -eu
checkout=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$checkout/packaging/environment.sh"
out=${1:-$checkout/dist}

stop() {
    say "$1"
    exit "$2"
}

command -v dpkg-deb >/dev/null || stop "needs dpkg-deb (the package dpkg)" 69
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
trap 'exit 130' INT TERM
tree=$work/tree
DESTDIR=$tree PREFIX=/usr/lib/laneproof SYSTEM=/usr sh "$checkout/packaging/install.sh"
rm -f "$tree/usr/lib/laneproof/installed-files"

version=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$checkout/pyproject.toml")
summary=$(sed -n 's/^Description=laneproof: //p' "$checkout/systemd/laneproof.service")
python=$(basename "$(readlink "$tree"/usr/lib/laneproof/bin/python3.*)") # python3.11
minor=${python#python3.}
units=$(cd "$tree/usr/lib/systemd/system" && echo *)
find "$tree" -name '*.so' -exec chmod 644 {} + -exec strip --strip-unneeded {} + 2>/dev/null ||
    find "$tree" -name '*.so' -exec chmod 644 {} + # no strip here: the libraries stay as they came
gzip -9n "$tree"/usr/share/man/man1/*
ln -snf "../../../bin/$python" "$tree/usr/lib/laneproof/bin/$python"
ln -snf ../lib/laneproof/bin/laneproof "$tree/usr/bin/laneproof"
maintainer="laneproof <laneproof@localhost>"
mkdir -p "$out"

# A maintainer's script of both packages: $1 is what to do, units follow.
after_installing="if command -v systemd-sysusers >/dev/null; then
    systemd-sysusers laneproof.conf
fi
if [ -d /run/systemd/system ]; then
    systemctl daemon-reload
    systemctl try-restart $units || true
fi"
before_removing="if [ -d /run/systemd/system ]; then
    systemctl disable --now $units || true
fi"
after_removing="if [ -d /run/systemd/system ]; then
    systemctl daemon-reload
fi"

# script FILE WHEN TEXT [WHEN TEXT]...: a maintainer's script of Debian's, for each first argument what to run.
script() {
    file=$work/deb/DEBIAN/$1
    shift
    printf '#!/bin/sh\nset -e\n' >"$file"
    while [ $# -gt 0 ]; do
        printf 'if [ "$1" = %s ]; then\n%s\nfi\n' "$1" "$2" >>"$file"
        shift 2
    done
    chmod 755 "$file"
}

make_deb() {
    cp -R "$tree" "$work/deb"
    mkdir -p "$work/deb/DEBIAN" "$work/deb/usr/share/lintian/overrides"
    doc=$work/deb/usr/share/doc/laneproof
    rm "$doc/LICENSE"
    mv "$work/deb/usr/share/zsh/site-functions" "$work/deb/usr/share/zsh/vendor-completions"
    printf 'laneproof (%s) unstable; urgency=medium\n\n  * changelog.md beside this file says what is new.\n\n -- %s  %s\n' \
        "$version" "$maintainer" "$(date -R)" | gzip -9n >"$doc/changelog.gz"
    {
        echo "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/"
        printf '\nFiles: *\nCopyright: 2026 the authors of laneproof\nLicense: Apache-2.0\n'
        # What came from elsewhere carries its own licence beside it.
        printf '\nFiles: usr/lib/laneproof/lib/*\nCopyright: 2026 and before, their authors, whom each *.dist-info names\nLicense: see-there\n'
        printf ' Each *.dist-info folder there holds the licence of its package.\n'
        printf '\nLicense: Apache-2.0\n On Debian systems the text is in /usr/share/common-licenses/Apache-2.0.\n'
    } >"$doc/copyright"
    cp "$checkout/packaging/lintian-overrides" "$work/deb/usr/share/lintian/overrides/laneproof"
    cat >"$work/deb/DEBIAN/control" <<END
Package: laneproof
Version: $version
Architecture: $(dpkg --print-architecture)
Maintainer: $maintainer
Section: admin
Priority: optional
Installed-Size: $(du -sk "$tree" | cut -f1)
Depends: python3 (>= 3.$minor), python3 (<< 3.$((minor + 1))), libc6, libgcc-s1, libudev1, systemd | systemd-sysusers
Recommends: smartmontools, pci.ids, udev
Suggests: fio, prometheus
Description: ${summary}
 Its owner declares what each socket of a self-built storage machine should
 hold and how wide and fast each link should be. Collectors read what the
 machine is; what differs, and early signs of failure, become an audit,
 metrics, alerts and a page. It never writes to a drive.
 .
 After installation, "laneproof setup" leads to a watched machine.
END
    echo /etc/laneproof/service.toml >"$work/deb/DEBIAN/conffiles"
    script postinst configure "$after_installing"
    script prerm remove "$before_removing"
    script postrm remove "$after_removing" \
        purge "rm -rf /etc/laneproof /var/lib/laneproof /var/lib/laneproof-notify /var/lib/private/laneproof \\
    /var/lib/private/laneproof-notify \\
    /etc/systemd/system/laneproof.service.d /etc/systemd/system/laneproof.socket.d"
    (cd "$work/deb" && find . -path ./DEBIAN -prune -o -type f -printf '%P\0' | sort -z | xargs -0 md5sum) \
        >"$work/sums" && mv "$work/sums" "$work/deb/DEBIAN/md5sums"
    chmod -R u=rwX,go=rX "$work/deb"
    dpkg-deb --root-owner-group -b "$work/deb" "$out" >/dev/null
}

make_rpm() {
    cat >"$work/laneproof.spec" <<END
Name: laneproof
Version: $version
Release: 1
Summary: $summary
License: Apache-2.0
Requires: /usr/bin/$python, systemd
Recommends: smartmontools, hwdata
AutoReqProv: no
%global __os_install_post %{nil}
%description
Its owner declares what each socket of a self-built storage machine should hold and how wide and fast each link should
be. Collectors read what the machine is; what differs, and early signs of failure, become an audit, metrics, alerts and
a page. It never writes to a drive. After installation, "laneproof setup" leads to a watched machine.
%install
cp -R $tree/. %{buildroot}
%post
$after_installing
%preun
if [ \$1 -eq 0 ]; then
$before_removing
fi
%postun
if [ \$1 -eq 0 ]; then # service.toml is gone or set aside, and with it what setup wrote for it
    for folder in /etc/systemd/system/laneproof.service.d /etc/systemd/system/laneproof.socket.d; do
        rm -f \$folder/setup.conf
        [ ! -d \$folder ] || rmdir --ignore-fail-on-non-empty \$folder
    done
fi
$after_removing
%files
%config(noreplace) /etc/laneproof/service.toml
$(cd "$tree" && find ./usr/lib/laneproof ./usr/share/doc/laneproof ./usr/share/laneproof -maxdepth 0 | sed 's|^\.||')
$(cd "$tree" && find ./usr ! -type d ! -path './usr/lib/laneproof/*' ! -path './usr/share/doc/laneproof/*' \
        ! -path './usr/share/laneproof/*' | sed 's|^\.||')
END
    rpmbuild -bb --quiet --define "_topdir $work/rpm" --define "_rpmdir $out" \
        --define '_rpmfilename %%{NAME}-%%{VERSION}-%%{RELEASE}.%%{ARCH}.rpm' \
        "$work/laneproof.spec" >"$work/log" 2>&1 || {
        tail -n 5 "$work/log" >&2
        stop "the .rpm could not be made (the lines above say why)" 70
    }
}

make_deb
if command -v rpmbuild >/dev/null; then make_rpm; else say "no .rpm: rpmbuild is not installed (the package rpm)"; fi
say "made:"
ls "$out"/laneproof[-_]"$version"*
