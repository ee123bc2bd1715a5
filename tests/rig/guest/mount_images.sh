# mount_images.sh: the guest's side of power_cuts.py: mounts each image on the second disk, as a start after
# a power cut does, so that the kernel recovers it, and unmounts it.
# host: cp "$RIG_OFFSETS" offsets
. ./verdicts.sh

dmesg -n 1
load loop
mkdir /image
mounted=0
while read -r offset; do
	losetup -o "$offset" /dev/loop0 /dev/vdb && mount -t ext4 -o noatime /dev/loop0 /image &&
		mounted=$((mounted + 1)) || fail "the image at $offset cannot be mounted"
	umount /image
	losetup -d /dev/loop0
done <offsets
expect "each image was mounted: $mounted" test "$mounted" -eq "$(wc -l <offsets)"
expect "without an error of its file system" test "$(dmesg | grep -c 'EXT4-fs \(error\|warning\)')" -eq 0
number "$(dmesg | grep -c 'recovery complete') images were recovered from their journal"
dmesg | grep EXT4-fs | grep -v "recovery complete\|mounted filesystem\|unmounting" | head
